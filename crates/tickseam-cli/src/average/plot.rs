//! The picture of an average: a panel for each channel, both ways of placing in it.

use std::fmt::Write as _;

use plotters::coord::Shift;
use plotters::drawing::DrawingAreaErrorKind;
use plotters::prelude::*;

use super::Average;
use super::statistics::Mean;

/// Colours that most kinds of colour vision keep apart (Okabe and Ito 2008, from memory); lines differ in their dashes besides.
const BLUE: RGBColor = RGBColor(0, 114, 178);
const VERMILION: RGBColor = RGBColor(213, 94, 0);
const GREY: RGBColor = RGBColor(110, 110, 110);

/// Channels that are drawn; the tables hold all.
const MOST_PANELS: usize = 16;

const PANEL: (u32, u32) = (460, 300);
const ONE_PANEL: (u32, u32) = (860, 440);
const HEAD: u32 = 78;

type Outcome = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// The picture as SVG.
///
/// # Errors
/// What the plotting library refuses, as text.
pub fn plot(average: &Average) -> Result<String, String> {
    let mut text = String::new();
    draw(average, &mut text).map_err(|error| error.to_string())?;
    Ok(text)
}

fn draw(average: &Average, text: &mut String) -> Result<(), Box<dyn std::error::Error>> {
    let panels = average.plan.channels.len().min(MOST_PANELS);
    let columns = if panels > 1 { 2 } else { 1 };
    let rows = panels.div_ceil(columns);
    let panel = if panels > 1 { PANEL } else { ONE_PANEL };
    let size = (panel.0 * columns as u32, HEAD + panel.1 * rows as u32);
    {
        let root = SVGBackend::with_string(text, size).into_drawing_area();
        root.fill(&WHITE)?;
        let (head, body) = root.split_vertically(HEAD);
        title(average, &head, panels)?;
        for (place, area) in body.split_evenly((rows, columns)).iter().enumerate().take(panels) {
            channel(average, place, area)?;
        }
        root.present()?;
    }
    Ok(())
}

fn title(
    average: &Average,
    area: &DrawingArea<SVGBackend<'_>, Shift>,
    panels: usize,
) -> Result<(), Box<dyn std::error::Error>> {
    let plan = &average.plan;
    let mut first = format!("{}, {:?}: {} trials", average.stream, plan.label, average.mean.count);
    if panels < plan.channels.len() {
        let _ = write!(first, "; {panels} of {} channels are drawn", plan.channels.len());
    }
    area.draw(&Text::new(first, (16, 10), ("sans-serif", 18)))?;
    let style = ("sans-serif", 14).into_font();
    let mut at = 16;
    let mut entry = |words: &str, colour: RGBColor, dashed: bool| {
        let line = |from: i32, to: i32| PathElement::new(vec![(from, 47), (to, 47)], colour.stroke_width(2));
        if dashed {
            for dash in 0..4 {
                area.draw(&line(at + dash * 7, at + dash * 7 + 4))?;
            }
        } else {
            area.draw(&line(at, at + 25))?;
        }
        area.draw(&Text::new(words.to_owned(), (at + 32, 40), style.clone()))?;
        at += 32 + 7 * words.chars().count() as i32 + 24;
        Ok::<(), Box<dyn std::error::Error>>(())
    };
    entry("replayed onsets", BLUE, false)?;
    if average.by_arrival.is_some() {
        entry("onsets by arrival stamps", VERMILION, true)?;
    }
    area.draw(&Text::new(
        "bands: ± 1 standard error of the mean; black line: the onset; grey: where the peak is looked for",
        (16, 58),
        ("sans-serif", 13).into_font().color(&GREY),
    ))?;
    Ok(())
}

/// One channel of a mean: time, mean, standard error.
fn curve(average: &Average, mean: &Mean, place: usize) -> Vec<(f64, f64, f64)> {
    let channels = average.plan.channels.len();
    let errors = mean.standard_error();
    let point = |(point, &time_ms): (usize, &f64)| {
        let at = point * channels + place;
        (time_ms, mean.mean[at], errors[at])
    };
    average.time_ms.iter().enumerate().map(point).collect()
}

fn channel(average: &Average, place: usize, area: &DrawingArea<SVGBackend<'_>, Shift>) -> Outcome {
    let plan = &average.plan;
    let replayed = curve(average, &average.mean, place);
    let by_arrival = average.by_arrival.as_ref().map(|by_arrival| curve(average, &by_arrival.mean, place));
    let ends = |of: fn(&(f64, f64, f64)) -> f64, fold: fn(f64, f64) -> f64, from: f64| {
        replayed.iter().chain(by_arrival.iter().flatten()).map(of).fold(from, fold)
    };
    let low = ends(|point| point.1 - point.2, f64::min, 0.0);
    let high = ends(|point| point.1 + point.2, f64::max, 0.0);
    let room = ((high - low) * 0.06).max(f64::MIN_POSITIVE);
    let [from_ms, to_ms] = plan.window_ms;
    let mut chart = ChartBuilder::on(area)
        .margin(10)
        .margin_right(18)
        .x_label_area_size(40)
        .y_label_area_size(58)
        .build_cartesian_2d(from_ms..to_ms, low - room..high + room)?;
    let [peak_from_ms, peak_to_ms] = plan.peak_ms;
    let bottom_to_top = [(peak_from_ms, low - room), (peak_to_ms, high + room)];
    chart.draw_series([Rectangle::new(bottom_to_top, GREY.mix(0.10).filled())])?;
    let unit = if plan.unit.is_empty() { "units of the file" } else { &plan.unit };
    let number = |value: &f64| {
        // A zero that was added up of steps is not written -0 or 1e-17.
        let value = if value.abs() < (high - low) * 1e-9 { 0.0 } else { *value };
        let decimals = if high - low < 1.0 { 2 } else { usize::from(high - low < 10.0) };
        if high - low < 0.05 || high - low >= 1e6 {
            format!("{value:.1e}")
        } else {
            format!("{value:.decimals$}")
        }
    };
    chart
        .configure_mesh()
        .x_desc("time after the onset, ms")
        .y_desc(format!("channel {}, {unit}", plan.channels[place]))
        .x_label_formatter(&|time_ms| format!("{time_ms:.0}"))
        .y_label_formatter(&number)
        .x_labels(7)
        .y_labels(6)
        .label_style(("sans-serif", 13))
        .axis_desc_style(("sans-serif", 14))
        .bold_line_style(GREY.mix(0.15))
        .light_line_style(WHITE.mix(0.0))
        .draw()?;
    chart.draw_series([PathElement::new(vec![(from_ms, 0.0), (to_ms, 0.0)], GREY.stroke_width(1))])?;
    if from_ms <= 0.0 && to_ms >= 0.0 {
        // The onset.
        let line = vec![(0.0, low - room), (0.0, high + room)];
        chart.draw_series([PathElement::new(line, BLACK.stroke_width(1))])?;
    }
    for (curve, colour) in by_arrival.iter().map(|curve| (curve, VERMILION)).chain([(&replayed, BLUE)]) {
        let upper = curve.iter().map(|point| (point.0, point.1 + point.2));
        let lower = curve.iter().rev().map(|point| (point.0, point.1 - point.2));
        chart
            .draw_series([Polygon::new(upper.chain(lower).collect::<Vec<_>>(), colour.mix(0.2).filled())])?;
    }
    let line = |curve: &[(f64, f64, f64)]| -> Vec<(f64, f64)> {
        curve.iter().map(|point| (point.0, point.1)).collect()
    };
    if let Some(curve) = &by_arrival {
        chart.draw_series(DashedLineSeries::new(line(curve), 5, 3, VERMILION.stroke_width(2)))?;
    }
    chart.draw_series(LineSeries::new(line(&replayed), BLUE.stroke_width(2)))?;
    Ok(())
}
