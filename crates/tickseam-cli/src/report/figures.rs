//! The figures of a report.

use std::ops::Range;

use plotters::prelude::*;

use super::chart::{Area, C, Chart, Drawn, HIGH, INK, SOFT, Under, axes, density, key, plain, svg};
use super::traces::{CAUSES, Point, Traces, shares_ms};
use crate::page::escape;
use crate::stability::Octave;
use crate::summary::milliseconds;

/// The axis of time in a unit that suits the recording.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock {
    pub(super) unit: &'static str,
    pub(super) per_s: f64,
}

impl Clock {
    pub(super) fn for_span(span_s: f64) -> Self {
        match span_s {
            s if s > 3.0 * 3600.0 => Self { unit: "h", per_s: 3600.0 },
            s if s > 180.0 => Self { unit: "min", per_s: 60.0 },
            _ => Self { unit: "s", per_s: 1.0 },
        }
    }

    fn words(&self) -> String {
        format!("time since the first packet, {}", self.unit)
    }

    fn range(&self, from_s: f64, to_s: f64) -> Range<f64> {
        let (from, to) = (from_s / self.per_s, to_s / self.per_s);
        from..if to > from { to } else { from + 1.0 }
    }
}

/// Marks of restarts and changes that are drawn and named; a recording with more has them in a table.
const MOST_MARKS: usize = 12;

fn draw_marks(chart: &mut Chart<'_, '_>, traces: &Traces, clock: Clock, y: &Range<f64>) -> Drawn<()> {
    for mark in traces.marks.iter().take(MOST_MARKS) {
        let x = mark.x_s / clock.per_s;
        let line = [(x, y.start), (x, y.end)];
        if mark.restart {
            chart.draw_series(std::iter::once(PathElement::new(line, INK.stroke_width(2))))?;
        } else {
            chart.draw_series(DashedLineSeries::new(line, 5, 4, C[1].stroke_width(2)))?;
        }
    }
    Ok(())
}

/// Stretches between which the axis is shown as lost, of the reference stream, merged where they would be drawn on one another.
fn lost_on_axis(traces: &Traces, stream: usize, step_s: f64) -> Vec<(f64, f64)> {
    let mut merged: Vec<(f64, f64)> = Vec::new();
    let mut of_stream: Vec<(f64, f64)> = traces
        .lost
        .iter()
        .filter(|lost| lost.stream == stream)
        .map(|lost| (lost.from_s, lost.to_s))
        .collect();
    of_stream.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (from_s, to_s) in of_stream {
        match merged.last_mut() {
            Some(last) if from_s - last.1 < step_s => last.1 = last.1.max(to_s),
            _ => merged.push((from_s, to_s)),
        }
    }
    merged
}

fn delay_chart(
    area: &Area<'_>,
    traces: &Traces,
    clock: Clock,
    (from_s, to_s): (f64, f64),
    most_ms: f64,
    spread: usize,
) -> Drawn<Under> {
    let x = clock.range(from_s, to_s);
    let y = -0.08 * most_ms..most_ms;
    let mut chart = axes(area, (x.clone(), &clock.words()), (y.clone(), "delay above the envelope, ms"))?;
    let step_s = (to_s - from_s) / 800.0;
    let within = |from: f64, to: f64| to >= x.start && from <= x.end;
    for (lost_s, until_s) in lost_on_axis(traces, 0, step_s) {
        let (from, to) = (lost_s / clock.per_s, until_s.max(lost_s + step_s) / clock.per_s);
        if within(from, to) {
            chart.draw_series(std::iter::once(Rectangle::new(
                [(from.max(x.start), y.start), (to.min(x.end), y.start + 0.045 * most_ms)],
                C[1].filled(),
            )))?;
        }
    }
    for trace in &traces.traces {
        let points: Vec<&Point> = trace
            .points
            .iter()
            .filter(|point| within(point.x_s / clock.per_s, point.x_s / clock.per_s))
            .collect();
        let ms = |us: f64| (us / 1e3).clamp(y.start, y.end);
        let upper = points.iter().map(|p| (p.x_s / clock.per_s, ms(p.high_us - p.envelope_us)));
        let lower = points.iter().rev().map(|p| (p.x_s / clock.per_s, ms(p.low_us - p.envelope_us)));
        let band: Vec<(f64, f64)> = upper.chain(lower).collect();
        if band.len() > 3 {
            chart.draw_series(std::iter::once(Polygon::new(band, C[2].mix(0.35).filled())))?;
        }
        let line: Vec<(f64, f64)> = points.iter().map(|p| (p.x_s / clock.per_s, 0.0)).collect();
        chart.draw_series(LineSeries::new(line, C[2].stroke_width(2)))?;
    }
    let shown: Vec<_> = traces.sightings.iter().filter(|one| one.x_s >= from_s && one.x_s <= to_s).collect();
    let every = shown.len().div_ceil(400).max(1);
    for sighting in shown.iter().step_by(every) {
        let at = sighting.x_s / clock.per_s;
        for (bound, up) in [(sighting.low_ms, true), (sighting.high_ms, false)] {
            let Some(ms) = bound.filter(|ms| y.contains(ms)) else { continue };
            let marker = if up { 4 } else { -4 };
            chart.draw_series(std::iter::once(TriangleMarker::new((at, ms), marker, C[3].filled())))?;
        }
    }
    draw_marks(&mut chart, traces, clock, &y)?;
    let (columns, rows) = chart.plotting_area().get_pixel_range();
    let size = (usize::try_from(columns.end - columns.start)?, usize::try_from(rows.end - rows.start)?);
    let points = traces.delays.iter().map(|delay| {
        let at = (f64::from(delay.x_s) / clock.per_s - x.start) / (x.end - x.start);
        (at, (f64::from(delay.ms) - y.start) / (y.end - y.start))
    });
    let image = density(points, size, spread);
    Ok(image
        .map(|png| ((columns.start, rows.start), (columns.end - columns.start, rows.end - rows.start), png)))
}

/// Delays against time, and the worst minute.
pub(super) fn delays(traces: &Traces, clock: Clock) -> String {
    if traces.delays.is_empty() {
        return "<p>No packet of the reference stream has a place, so there are no delays to show.</p>"
            .to_owned();
    }
    let most_ms = (traces.delay_ms(0.99) * 1.25).max(1.0);
    let share = |most_ms: f64| {
        let within = traces.sorted_ms.partition_point(|ms| f64::from(*ms) < most_ms);
        100.0 - 100.0 * within as f64 / traces.sorted_ms.len() as f64
    };
    let mut text = String::from("<h2>Delays</h2>\n<figure>");
    text.push_str(&svg("Delay of each packet above the envelope, against time", HIGH + 60, |area| {
        delay_chart(area, traces, clock, (0.0, traces.end_s), most_ms, 1)
    }));
    let mut entries = vec![
        (0, 0.8, "packets of the reference stream, darker where denser"),
        (
            2,
            0.6,
            if traces.by_pairs {
                "the clock, and what is possible of it"
            } else {
                "the envelope: the soonest that a packet can come, and what is possible of it"
            },
        ),
    ];
    if traces.lost.iter().any(|lost| lost.stream == 0) {
        entries.push((1, 1.0, "lost samples, at the lower edge"));
    }
    if !traces.sightings.is_empty() {
        entries.push((3, 1.0, "bounds of exchanges and markers, the fixed delay added: \u{25b2} from below, \u{25bc} from above"));
    }
    text.push_str(&key(&entries));
    text.push_str(&format!(
        "<figcaption>{} {:.2} % came later than the figure reaches, the latest by \
         {}.{}</figcaption></figure>\n",
        if traces.by_pairs {
            "How long after its first sample each packet was stamped: exchanges or markers tell."
        } else {
            "How long after the soonest possible moment each packet came."
        },
        share(most_ms),
        milliseconds(traces.delay_ms(1.0)),
        if traces.marks.is_empty() {
            ""
        } else {
            " Upright lines: the headset restarted (full), or something changed (dashed)."
        }
    ));
    text.push_str(&marks_list(traces, clock));
    if let Some((worst_s, u95_ms)) = traces.worst().filter(|_| traces.end_s > 90.0) {
        let from_s = (worst_s - 30.0).clamp(0.0, traces.end_s - 60.0);
        let seconds = Clock { unit: "s", per_s: 1.0 };
        let in_minute =
            traces.delays.iter().filter(|d| f64::from(d.x_s) >= from_s && f64::from(d.x_s) <= from_s + 60.0);
        let highest_ms = in_minute.map(|delay| f64::from(delay.ms)).fold(0.0, f64::max);
        let most_ms = (highest_ms * 1.05).clamp(1.0, most_ms);
        text.push_str(&format!(
            "<h3>The minute that is known least: placements around {} {} to ±{}</h3>\n<figure>",
            plain(worst_s / clock.per_s),
            clock.unit,
            milliseconds(u95_ms)
        ));
        text.push_str(&svg("Delays in the minute that is known least", HIGH, |area| {
            delay_chart(area, traces, seconds, (from_s, from_s + 60.0), most_ms, 3)
        }));
        text.push_str("</figure>\n");
    }
    text
}

fn marks_list(traces: &Traces, clock: Clock) -> String {
    if traces.marks.is_empty() {
        return String::new();
    }
    let mut text = String::from("<ul>");
    for mark in traces.marks.iter().take(MOST_MARKS) {
        text.push_str(&format!(
            "<li>{} {}: {}</li>",
            plain(mark.x_s / clock.per_s),
            clock.unit,
            escape(&mark.words)
        ));
    }
    let more = traces.marks.len().saturating_sub(MOST_MARKS);
    if more > 0 {
        text.push_str(&format!("<li>and {more} more, all in alignment.json</li>"));
    }
    text + "</ul>\n"
}

/// Drift against time.
pub(super) fn drift(traces: &Traces, clock: Clock, tolerance_ppm: f64) -> String {
    let points = || traces.traces.iter().flat_map(|trace| &trace.points);
    let finite = |of: fn(&Point) -> f64| -> Vec<f64> {
        let mut all: Vec<f64> = points().map(of).filter(|value| value.is_finite()).collect();
        all.sort_by(f64::total_cmp);
        all
    };
    let (drifts, lows, highs) =
        (finite(|p| p.drift_ppm), finite(|p| p.drift_low_ppm), finite(|p| p.drift_high_ppm));
    // Where little is known at an edge, the band may be far wider than all that matters.
    let (Some(low), Some(high), Some(least), Some(most)) = (
        crate::quantile::of_sorted(&lows, 0.05),
        crate::quantile::of_sorted(&highs, 0.95),
        drifts.first(),
        drifts.last(),
    ) else {
        return String::new();
    };
    let (from, to) = (low.min(*least), high.max(*most));
    let rim = ((to - from) * 0.15).max(0.5);
    let y = from - rim..to + rim;
    let mut text = String::from("<h2>Drift</h2>\n<figure>");
    text.push_str(&svg("Drift against time with its band", HIGH, |area| {
        let mut chart =
            axes(area, (clock.range(0.0, traces.end_s), &clock.words()), (y.clone(), "drift, ppm"))?;
        for limit in [-tolerance_ppm, tolerance_ppm] {
            if y.contains(&limit) {
                let line = [(0.0, limit), (traces.end_s / clock.per_s, limit)];
                chart.draw_series(DashedLineSeries::new(line, 3, 5, SOFT.stroke_width(1)))?;
            }
        }
        for trace in &traces.traces {
            let at = |value: fn(&Point) -> f64| {
                let (start, end) = (y.start, y.end);
                move |p: &Point| (p.x_s / clock.per_s, value(p).clamp(start, end))
            };
            let band = trace.points.iter().map(at(|p| p.drift_high_ppm));
            let band: Vec<(f64, f64)> =
                band.chain(trace.points.iter().rev().map(at(|p| p.drift_low_ppm))).collect();
            chart.draw_series(std::iter::once(Polygon::new(band, C[0].mix(0.25).filled())))?;
            chart.draw_series(LineSeries::new(
                trace.points.iter().map(at(|p| p.drift_ppm)),
                C[0].stroke_width(2),
            ))?;
        }
        draw_marks(&mut chart, traces, clock, &y)?;
        Ok(None)
    }));
    text.push_str(&key(&[(0, 1.0, "drift"), (0, 0.25, "what is possible")]));
    text.push_str(
        "<figcaption>By how much the headset's clock runs fast against the phone's (negative: slow). Thin dashes, where they lie within \
         the figure: the declared tolerance.</figcaption></figure>\n",
    );
    text
}

/// Uncertainty of a placement against time, divided by cause.
pub(super) fn uncertainty(traces: &Traces, clock: Clock) -> String {
    let usual_ms = traces.u95_ms(0.75).unwrap_or(1.0);
    let largest_ms = traces.u95_ms(1.0).unwrap_or(1.0);
    // A hill that is out of all proportion is cut, and said so.
    let top_ms = if largest_ms > 6.0 * usual_ms { 3.0 * usual_ms } else { largest_ms } * 1.08;
    let y = 0.0..top_ms.max(1e-6);
    let mut text = String::from("<h2>Uncertainty of a placement</h2>\n<figure>");
    text.push_str(&svg("Half-width of the 95 % interval against time, by cause", HIGH, |area| {
        let mut chart = axes(area, (clock.range(0.0, traces.end_s), &clock.words()), (y.clone(), "u95, ms"))?;
        for trace in &traces.traces {
            let mut below = vec![0.0; trace.points.len()];
            for cause in 0..CAUSES.len() - 1 {
                let above: Vec<f64> = trace
                    .points
                    .iter()
                    .zip(&below)
                    .map(|(point, below)| below + shares_ms(&point.budget, point.u95_ms)[cause])
                    .collect();
                if above.iter().zip(&below).all(|(above, below)| above - below < 1e-6 * top_ms) {
                    continue;
                }
                let at = |(point, ms): (&Point, &f64)| (point.x_s / clock.per_s, ms.min(top_ms));
                let upper = trace.points.iter().zip(&above).map(at);
                let lower = trace.points.iter().zip(&below).rev().map(at);
                let colour = C[cause];
                chart.draw_series(std::iter::once(Polygon::new(
                    upper.chain(lower).collect::<Vec<_>>(),
                    colour.mix(FILL[cause]).filled(),
                )))?;
                below = above;
            }
            let line = trace.points.iter().map(|point| (point.x_s / clock.per_s, point.u95_ms.min(top_ms)));
            chart.draw_series(LineSeries::new(line, INK.stroke_width(1)))?;
        }
        draw_marks(&mut chart, traces, clock, &y)?;
        Ok(None)
    }));
    let entries: Vec<(usize, f64, &str)> =
        (0..CAUSES.len() - 1).map(|cause| (cause, FILL[cause], CAUSES[cause])).collect();
    text.push_str(&key(&entries));
    text.push_str(&format!(
        "<figcaption>Half-width of the 95 % interval of an event without a latency of its own, from below: each cause's share, which add \
         up.{}</figcaption></figure>\n",
        if top_ms < largest_ms {
            format!(" The largest, {}, is beyond the figure.", milliseconds(largest_ms))
        } else {
            String::new()
        }
    ));
    text
}

/// How strongly each cause is filled: neighbours differ in lightness too.
const FILL: [f64; 6] = [0.85, 0.55, 0.85, 0.55, 0.85, 0.55];

fn histogram(values: impl Iterator<Item = f64> + Clone, range: Range<f64>, bins: usize) -> Vec<f64> {
    let mut counts = vec![0.0; bins];
    for value in values {
        let at = (value - range.start) / (range.end - range.start);
        if (0.0..1.0).contains(&at) {
            counts[(at * bins as f64) as usize] += 1.0;
        }
    }
    counts
}

fn bars(label: &str, x: Range<f64>, x_words: &str, counts: &[f64], colour: usize) -> String {
    let total: f64 = counts.iter().sum();
    let width = (x.end - x.start) / counts.len() as f64;
    let share = |count: f64| 100.0 * count / total.max(1.0);
    let most = counts.iter().copied().fold(0.0, f64::max);
    let y = 0.0..(share(most) * 1.1).max(1e-3);
    svg(label, HIGH - 40, |area| {
        let mut chart = axes(area, (x.clone(), x_words), (y, "share of the packets, %"))?;
        chart.draw_series(counts.iter().enumerate().filter(|(_, count)| **count > 0.0).map(
            |(place, count)| {
                let from = x.start + width * place as f64;
                Rectangle::new([(from, 0.0), (from + 0.9 * width, share(*count))], C[colour].filled())
            },
        ))?;
        Ok(None)
    })
}

/// Histograms of the delays, whole and modulo the connection interval.
pub(super) fn histograms(traces: &Traces) -> String {
    if traces.delays.is_empty() {
        return String::new();
    }
    let most_ms = (traces.delay_ms(0.99) * 1.1).max(0.1);
    let least_ms = traces.delay_ms(0.0).min(0.0);
    let values = traces.sorted_ms.iter().map(|ms| f64::from(*ms));
    let range = least_ms.max(-0.1 * most_ms)..most_ms;
    let mut text = String::from("<h2>Which delays are how frequent</h2>\n<figure>");
    let counts = histogram(values.clone(), range.clone(), 120);
    text.push_str(&bars("Histogram of the delays", range, traces.delay_words, &counts, 0));
    text.push_str("<figcaption>The latest one in a hundred are beyond the figure.</figcaption></figure>\n");
    if let Some(interval_ms) = traces.interval_ms {
        let folded = values.map(|ms| ms.rem_euclid(interval_ms));
        let counts = histogram(folded, 0.0..interval_ms, 100);
        text.push_str("<figure>");
        text.push_str(&bars(
            "Histogram of the delays modulo the connection interval",
            0.0..interval_ms,
            &format!("delay modulo {} ms, ms", plain(interval_ms)),
            &counts,
            2,
        ));
        text.push_str(&format!(
            "<figcaption>The same delays, modulo the connection interval ({} ms, {}). Even: packets met all phases of it. A comb or a step: the \
             beat, packets and interval repeat together.</figcaption></figure>\n",
            plain(interval_ms),
            if traces.interval_found { "as found" } else { "as declared; no grid was found" }
        ));
    }
    text
}

/// Where samples are missing, a strip for each stream.
pub(super) fn gaps(traces: &Traces, clock: Clock, streams: &[String]) -> String {
    let high = 50 + 34 * u32::try_from(streams.len().min(8)).unwrap_or(8);
    let shown = streams.len().min(8);
    svg("Where samples are missing, by stream", high, |area| {
        let x = clock.range(0.0, traces.end_s);
        let mut chart = ChartBuilder::on(area)
            .margin(8)
            .margin_right(18)
            .x_label_area_size(40)
            .y_label_area_size(110)
            .build_cartesian_2d(x.clone(), 0.0..shown as f64)?;
        chart
            .configure_mesh()
            .disable_y_mesh()
            .x_desc(clock.words())
            .x_label_formatter(&|value| plain(*value))
            .y_labels(0)
            .axis_style(SOFT)
            .bold_line_style(super::chart::LINE)
            .light_line_style(TRANSPARENT)
            .draw()?;
        let step_s = traces.end_s / 700.0;
        for (place, name) in streams.iter().take(shown).enumerate() {
            let base = (shown - 1 - place) as f64;
            chart.draw_series(std::iter::once(Rectangle::new(
                [(x.start, base + 0.2), (x.end, base + 0.8)],
                C[0].mix(0.25).filled(),
            )))?;
            chart.draw_series(lost_on_axis(traces, place, step_s).into_iter().map(|(from_s, to_s)| {
                let to_s = to_s.max(from_s + step_s);
                Rectangle::new(
                    [(from_s / clock.per_s, base + 0.1), (to_s / clock.per_s, base + 0.9)],
                    C[1].filled(),
                )
            }))?;
            let at = chart.backend_coord(&(x.start, base + 0.5));
            let short: String = name.chars().take(14).collect();
            let style =
                ("sans-serif", 13).into_font().color(&INK).pos(plotters::style::text_anchor::Pos::new(
                    plotters::style::text_anchor::HPos::Right,
                    plotters::style::text_anchor::VPos::Center,
                ));
            area.draw(&Text::new(short, (at.0 - 8, at.1), style))?;
        }
        Ok(None)
    })
}

/// Powers of ten around values.
fn decades(values: impl Iterator<Item = f64>) -> Option<Range<f64>> {
    let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
    for value in values.filter(|value| *value > 0.0 && value.is_finite()) {
        (least, most) = (least.min(value), most.max(value));
    }
    (most > 0.0).then(|| {
        10_f64.powf(least.log10().floor())..10_f64.powf(most.log10().ceil().max(least.log10().floor() + 1.0))
    })
}

fn logarithmic(label: &str, y_words: &str, x: &Range<f64>, curves: &[(usize, Vec<(f64, f64)>)]) -> String {
    let Some(y) = decades(curves.iter().flat_map(|(_, points)| points.iter().map(|point| point.1))) else {
        return String::new();
    };
    let power =
        |value: &f64| if (1e-3..1e4).contains(value) { plain(*value) } else { format!("{value:.0e}") };
    svg(label, HIGH, |area| {
        let style = ("sans-serif", 13).into_font().color(&INK);
        let mut chart = ChartBuilder::on(area)
            .margin(8)
            .margin_right(18)
            .x_label_area_size(44)
            .y_label_area_size(64)
            .build_cartesian_2d(x.clone().log_scale(), y.clone().log_scale())?;
        chart
            .configure_mesh()
            .x_desc("interval τ, s")
            .y_desc(y_words)
            .x_label_formatter(&power)
            .y_label_formatter(&power)
            .label_style(style.clone())
            .axis_desc_style(style)
            .axis_style(SOFT)
            .bold_line_style(super::chart::LINE)
            .light_line_style(TRANSPARENT)
            .draw()?;
        for (colour, points) in curves {
            let points = || points.iter().copied().filter(|point| point.1 > 0.0);
            chart.draw_series(LineSeries::new(points(), C[*colour].stroke_width(2)))?;
            chart.draw_series(points().map(|point| Circle::new(point, 3, C[*colour].filled())))?;
        }
        Ok(None)
    })
}

/// Measures of how steady the clock is, against the interval looked at.
pub(super) fn stability(octaves: &[Octave]) -> String {
    let Some(x) = decades(octaves.iter().map(|octave| octave.tau_s)) else { return String::new() };
    let of = |value: fn(&Octave) -> Option<f64>| -> Vec<(f64, f64)> {
        octaves.iter().filter_map(|octave| Some((octave.tau_s, value(octave)?))).collect()
    };
    let times = [(0, of(|o| o.time_deviation_s.map(|s| s * 1e3))), (1, of(|o| Some(o.mtie_s * 1e3)))];
    let rates = [(2, of(|o| Some(o.allan))), (3, of(|o| o.modified_allan))];
    let mut text = String::from("<figure>");
    text.push_str(&logarithmic("Time deviation and MTIE of the clock", "ms", &x, &times));
    text.push_str(&key(&[(0, 1.0, "time deviation (TDEV)"), (1, 1.0, "maximum time interval error (MTIE)")]));
    text.push_str("</figure>\n<figure>");
    text.push_str(&logarithmic("Allan deviation of the clock", "fractional frequency", &x, &rates));
    text.push_str(&key(&[(2, 1.0, "Allan deviation (overlapping)"), (3, 1.0, "modified Allan deviation")]));
    text.push_str("</figure>\n");
    text
}
