//! Charts as SVG text: drawn by a library, coloured by the page's variables, so that they follow light and dark.

use std::ops::Range;

use base64::Engine as _;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;

/// Size of a chart, px.
pub(super) const WIDE: u32 = 860;
pub(super) const HIGH: u32 = 300;

/// Colours that stand for the page's variables; [`svg`] puts those in their place. No chart uses such dark ones otherwise.
pub(super) const INK: RGBColor = RGBColor(1, 0, 0);
pub(super) const SOFT: RGBColor = RGBColor(2, 0, 0);
pub(super) const LINE: RGBColor = RGBColor(3, 0, 0);
pub(super) const C: [RGBColor; 6] = [
    RGBColor(4, 0, 0),
    RGBColor(5, 0, 0),
    RGBColor(6, 0, 0),
    RGBColor(7, 0, 0),
    RGBColor(8, 0, 0),
    RGBColor(9, 0, 0),
];

pub(super) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
pub(super) type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
/// What drawing can fail with; into memory it does not.
pub(super) type Drawn<T> = Result<T, Box<dyn std::error::Error>>;

/// An image to lie under a chart: where, px, and a PNG file.
pub(super) type Under = Option<((i32, i32), (i32, i32), Vec<u8>)>;

/// A chart as SVG text inside a box that scrolls on narrow screens. `label` says what it shows to who cannot see it.
pub(super) fn svg(label: &str, high: u32, draw: impl FnOnce(&Area<'_>) -> Drawn<Under>) -> String {
    let mut text = String::new();
    let outcome = {
        let area = SVGBackend::with_string(&mut text, (WIDE, high)).into_drawing_area();
        draw(&area).and_then(|under| {
            area.present()?;
            Ok(under)
        })
    };
    let under = match outcome {
        Ok(under) => under,
        Err(error) => {
            return format!(
                "<p>This figure could not be drawn: {}</p>",
                crate::page::escape(&error.to_string())
            );
        }
    };
    for (colour, variable) in [(INK, "--ink"), (SOFT, "--soft"), (LINE, "--line")]
        .into_iter()
        .chain(C.into_iter().zip(["--c0", "--c1", "--c2", "--c3", "--c4", "--c5"]))
    {
        let RGBColor(red, green, blue) = colour;
        let variable = format!("\"var({variable})\"");
        text = text.replace(&format!("\"#{red:02X}{green:02X}{blue:02X}\""), &variable);
    }
    if let (Some(end), Some(start)) = (text.find('>'), text.find("<svg")) {
        let mut head = format!(
            "<svg width=\"{WIDE}\" height=\"{high}\" viewBox=\"0 0 {WIDE} {high}\" role=\"img\" aria-label=\"{}\">",
            crate::page::escape(label)
        );
        if let Some(((x, y), (wide, tall), png)) = under {
            head.push_str(&format!(
                "<image x=\"{x}\" y=\"{y}\" width=\"{wide}\" height=\"{tall}\" preserveAspectRatio=\"none\" \
                 href=\"data:image/png;base64,{}\"/>",
                base64::engine::general_purpose::STANDARD.encode(png)
            ));
        }
        text.replace_range(start..=end, &head);
    }
    format!("<div class=\"wide\">{}</div>\n", text.trim())
}

/// A font of the page's size.
fn font(size: u32) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&INK)
}

/// A chart with axes. Ticks are where the library puts them, written by `x_text` and `y_text`.
pub(super) fn axes<'a, 'b>(
    area: &Area<'b>,
    (x, x_words): (Range<f64>, &str),
    (y, y_words): (Range<f64>, &str),
) -> Drawn<Chart<'a, 'b>>
where
    'b: 'a,
{
    let mut chart = ChartBuilder::on(area)
        .margin(8)
        .margin_right(18)
        .x_label_area_size(44)
        .y_label_area_size(64)
        .build_cartesian_2d(x, y.clone())?;
    let span = y.end - y.start;
    let decimals = if span > 50.0 { 0 } else { (1.5 - span.log10()).ceil().clamp(0.0, 6.0) as usize };
    chart
        .configure_mesh()
        .x_desc(x_words)
        .y_desc(y_words)
        .x_labels(10)
        .y_labels(6)
        .x_label_formatter(&|value| plain(*value))
        .y_label_formatter(&|value| format!("{value:.decimals$}"))
        .label_style(font(13))
        .axis_desc_style(font(13))
        .axis_style(SOFT)
        .bold_line_style(LINE)
        .light_line_style(TRANSPARENT)
        .draw()?;
    Ok(chart)
}

/// A number with as few decimals as it needs.
pub(super) fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A legend of squares, beside or below a chart.
pub(super) fn key(entries: &[(usize, f64, &str)]) -> String {
    let mut text = String::from("<p class=\"key\">");
    for (colour, opacity, words) in entries {
        text.push_str(&format!(
            "<span><svg width=\"18\" height=\"12\" aria-hidden=\"true\"><rect width=\"18\" height=\"12\" fill=\"var(--c{colour})\" \
             fill-opacity=\"{opacity}\"/></svg>{}</span>",
            crate::page::escape(words)
        ));
    }
    text + "</p>"
}

/// How often points fall into each cell of a grid, as a PNG: one hue, the more the denser, nothing where there are none. Points beyond the
/// grid are left out. `wide` and `high` in px; `at` gives a point's place from 0 to 1, y upwards.
pub(super) fn density(
    points: impl Iterator<Item = (f64, f64)>,
    (wide, high): (usize, usize),
    spread: usize,
) -> Option<Vec<u8>> {
    let mut counts = vec![0_u32; wide * high];
    for (x, y) in points {
        if !((0.0..1.0).contains(&x) && (0.0..1.0).contains(&y)) {
            continue;
        }
        let (column, row) = ((x * wide as f64) as usize, ((1.0 - y) * high as f64) as usize);
        for row in row..(row + spread).min(high) {
            for column in column..(column + spread).min(wide) {
                counts[row * wide + column] += 1;
            }
        }
    }
    let most = counts.iter().copied().max().filter(|most| *most > 0)?;
    let shades: Vec<u8> = counts
        .iter()
        .map(|&count| {
            // Equal steps of darkness for equal ratios; a single packet stays to be seen.
            let share = (f64::from(count) + 1.0).ln() / (f64::from(most) + 1.0).ln();
            if count == 0 { 0 } else { (64.0 + share * 191.0).round() as u8 / 4 }
        })
        .collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, u32::try_from(wide).ok()?, u32::try_from(high).ok()?);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    // A blue that stands out from white and from near black.
    encoder.set_palette([0x2f, 0x86, 0xc8].repeat(64));
    encoder.set_trns((0..64_u8).map(|shade| shade * 4 + u8::from(shade > 0) * 3).collect::<Vec<u8>>());
    encoder.set_compression(png::Compression::High);
    let mut writer = encoder.write_header().ok()?;
    writer.write_image_data(&shades).ok()?;
    writer.finish().ok()?;
    Some(bytes)
}
