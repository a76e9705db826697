//! Draws the README's picture from the built-in demonstration:
//! `cargo run --release -p tickseam-cli --example draw_demonstration`

use std::error::Error;
use std::path::Path;

use plotters::prelude::*;
use tickseam_cli::align::{Captured, align};
use tickseam_cli::demonstration;

/// Colours that most kinds of colour vision keep apart (Okabe and Ito 2008, from memory).
const ORANGE: RGBColor = RGBColor(213, 94, 0);
const BLUE: RGBColor = RGBColor(0, 114, 178);
const GREY: RGBColor = RGBColor(120, 120, 120);

fn main() -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    demonstration::write_to(folder.path())?;
    let mut recording = tickseam_record::read(folder.path())?;
    let truth = recording.truth.take().ok_or("the demonstration has a truth")?;
    let aligned = align(&Captured::of(&recording))?;

    let mut rows = Vec::new();
    for (place, (row, true_onset)) in aligned.events.rows.iter().zip(&truth).enumerate() {
        let (Some(onset_s), Some(u95_ms)) = (row.onset_s, row.u95_ms) else { continue };
        if row.label == "tap" {
            // A tap's own latency is another matter than the clocks.
            continue;
        }
        let error_ms = |onset_s: f64| (onset_s - true_onset.onset_s) * 1e3;
        let peer = |peer: &[Option<f64>]| peer[place].map(error_ms);
        rows.push((
            true_onset.onset_s / 60.0,
            error_ms(onset_s),
            u95_ms,
            peer(&aligned.peers.arrival_stamp),
            peer(&aligned.peers.least_squares),
        ));
    }

    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demonstration/errors.svg");
    let area = SVGBackend::new(&path, (860, 400)).into_drawing_area();
    area.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&area)
        .margin(12)
        .x_label_area_size(42)
        .y_label_area_size(52)
        .build_cartesian_2d(0.0..9.0, -22.0..4.0)?;
    chart
        .configure_mesh()
        .x_desc("time on the headset's timeline, minutes")
        .y_desc("error of the placed onset, ms")
        .label_style(("sans-serif", 14))
        .axis_desc_style(("sans-serif", 15))
        .light_line_style(WHITE)
        .draw()?;
    let band: Vec<(f64, f64)> = rows
        .iter()
        .map(|row| (row.0, row.1 + row.2))
        .chain(rows.iter().rev().map(|row| (row.0, row.1 - row.2)))
        .collect();
    chart
        .draw_series(
            rows.iter().filter_map(|row| Some(Circle::new((row.0, row.3?), 2, GREY.mix(0.6).filled()))),
        )?
        .label("newest packet's stamp taken for exact")
        .legend(|(x, y)| Circle::new((x + 10, y), 3, GREY.filled()));
    chart
        .draw_series(LineSeries::new(
            rows.iter().filter_map(|row| Some((row.0, row.4?))),
            ORANGE.stroke_width(2),
        ))?
        .label("least squares on all packets")
        .legend(|(x, y)| PathElement::new(vec![(x, y), (x + 20, y)], ORANGE.stroke_width(2)));
    chart
        .draw_series(std::iter::once(Polygon::new(band, BLUE.mix(0.25).filled())))?
        .label("replayed: 95 % interval")
        .legend(|(x, y)| Rectangle::new([(x, y - 5), (x + 20, y + 5)], BLUE.mix(0.25).filled()));
    chart
        .draw_series(LineSeries::new(rows.iter().map(|row| (row.0, row.1)), BLUE.stroke_width(2)))?
        .label("replayed")
        .legend(|(x, y)| PathElement::new(vec![(x, y), (x + 20, y)], BLUE.stroke_width(2)));
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
        .background_style(WHITE.mix(0.9))
        .border_style(GREY)
        .label_font(("sans-serif", 14))
        .draw()?;
    area.present()?;
    println!("{}", path.display());
    Ok(())
}
