//! The answer as one page: no script, nothing fetched, light and dark.

use std::fmt::Write as _;

use super::advice::{Advice, short};
use super::plan::{Plan, Schedule, stamp_words};
use super::sweep::{Judged, SawTooth};
use super::table::{LEGEND, assumptions, counted};
use crate::page::{begin, escape};
use crate::summary::milliseconds;
use tickseam_sim::beat::Beat;
use tickseam_sim::scenario::TickStamp;

/// Colours of the heat map from a small error to a large one, light to dark: one hue's lightness tells them apart without colour
/// vision, and every cell says its number too. Own choice.
const HEAT: [(f64, f64, f64); 5] = [
    (236.0, 244.0, 232.0),
    (166.0, 208.0, 200.0),
    (92.0, 154.0, 184.0),
    (58.0, 92.0, 150.0),
    (46.0, 28.0, 88.0),
];
/// Errors at the ends of that scale, ms.
const HEAT_FROM_MS: f64 = 0.05;
const HEAT_TO_MS: f64 = 20.0;

/// Dashes of the lines of a chart; their colours are the style's.
const DASHES: [&str; 6] = ["", "7 4", "2 4", "12 4 2 4", "4 2", "1 6"];

/// The whole page.
pub fn page(plan: &Plan, advice: &Advice) -> String {
    let mut page = begin("Packet schedules", "Packet schedules", "");
    let take = &advice.take().judged;
    let _ = writeln!(
        page,
        "<p class=\"soft\">{}, each simulated in {} sessions of {} s ({} conditions, {} seeds) and aligned as a recording would \
         be. tickseam {}.</p>",
        counted(advice.ranked.len()),
        take.runs,
        short(plan.session_s),
        plan.conditions.len(),
        plan.seeds,
        env!("CARGO_PKG_VERSION")
    );
    let _ = writeln!(page, "<h2>Take</h2>\n<p class=\"take\">{}</p>", escape(&advice.why(plan)));
    heat_maps(&mut page, plan, advice);
    against_length(&mut page, plan, advice);
    saw_teeth(&mut page, plan, advice);
    reasons(&mut page, plan, advice);
    ranking(&mut page, plan, advice);
    let _ = writeln!(
        page,
        "<h2>Assumed</h2>\n<p>{} {}</p>\n</body></html>",
        escape(&plan.radio.in_words()),
        escape(&assumptions(plan))
    );
    page
}

fn ms(value: f64) -> String {
    if value.is_finite() { milliseconds(value) } else { "not placed".to_owned() }
}

/// Where an error lies on the scale, 0 to 1.
fn heat(error_ms: f64) -> f64 {
    ((error_ms / HEAT_FROM_MS).ln() / (HEAT_TO_MS / HEAT_FROM_MS).ln()).clamp(0.0, 1.0)
}

/// Colour of a place on the scale, and of a text upon it.
fn heat_colour(place: f64) -> (String, &'static str) {
    let at = place * (HEAT.len() - 1) as f64;
    let below = (at as usize).min(HEAT.len() - 2);
    let rest = at - below as f64;
    let mix = |a: f64, b: f64| (a + (b - a) * rest).round();
    let ((r0, g0, b0), (r1, g1, b1)) = (HEAT[below], HEAT[below + 1]);
    let (r, g, b) = (mix(r0, r1), mix(g0, g1), mix(b0, b1));
    let light = 0.299 * r + 0.587 * g + 0.114 * b;
    (format!("rgb({r},{g},{b})"), if light > 140.0 { "#10151b" } else { "#ffffff" })
}

/// Everything of a schedule but samples and interval.
fn rest_of(schedule: &Schedule) -> Rest {
    (schedule.dither_samples, schedule.octets_per_sample, schedule.exchange_period_s, schedule.tick_stamp)
}

/// Dither, octets of a sample, time between exchanges, where the counter is read.
type Rest = (u32, Option<u32>, f64, TickStamp);

fn rest_words((dither, octets, exchange_s, stamp): Rest, octets_vary: bool) -> String {
    let mut words = Vec::new();
    words.push(match dither {
        0 => "no dither".to_owned(),
        dither => format!("± {dither} sample{} of dither", if dither == 1 { "" } else { "s" }),
    });
    words.extend(octets.filter(|_| octets_vary).map(|octets| format!("{octets} octets a sample")));
    words.push(match exchange_s {
        0.0 => "no exchanges".to_owned(),
        period_s => format!("an exchange every {} s", short(period_s)),
    });
    if stamp != TickStamp::FirstSample {
        words.push(format!("counter read {}", stamp_words(stamp)));
    }
    words.join(", ")
}

fn heat_maps(page: &mut String, plan: &Plan, advice: &Advice) {
    let mut rests = Vec::new();
    for schedule in &plan.schedules {
        if !rests.contains(&rest_of(schedule)) {
            rests.push(rest_of(schedule));
        }
    }
    let _ = writeln!(page, "<h2>Error by samples per packet and interval</h2>\n<div class=\"maps\">");
    for rest in &rests {
        heat_map(page, plan, advice, *rest);
    }
    page.push_str("</div>\n");
    let mut key = String::from("<p class=\"key\">");
    for error_ms in [HEAT_FROM_MS, 0.2, 1.0, 5.0, HEAT_TO_MS] {
        let (colour, _) = heat_colour(heat(error_ms));
        let _ = write!(
            key,
            "<span><svg width=\"22\" height=\"14\" aria-hidden=\"true\"><rect width=\"22\" height=\"14\" fill=\"{colour}\" \
             stroke=\"var(--line)\"/></svg>{} ms</span>",
            short(error_ms)
        );
    }
    let _ = writeln!(
        page,
        "{key}</p><p class=\"soft\">Each cell: 95th percentile of the placement error, ms, and below it g, the step of the beat, ms. \
         A thick frame: the schedule to take. ×: the queue overflows. –: not in the grid, or impossible.</p>"
    );
}

fn heat_map(page: &mut String, plan: &Plan, advice: &Advice, rest: Rest) {
    let of: Vec<&Judged> = advice
        .ranked
        .iter()
        .map(|verdict| &verdict.judged)
        .filter(|one| rest_of(&one.schedule) == rest)
        .collect();
    let mut samples: Vec<u32> = of.iter().map(|one| one.schedule.samples_per_packet).collect();
    samples.sort_unstable();
    samples.dedup();
    let mut intervals: Vec<f64> = of.iter().map(|one| one.schedule.interval_ms).collect();
    intervals.sort_by(f64::total_cmp);
    intervals.dedup();
    let (left, top, wide, high) = (64, 8, 58, 40);
    let width = left + wide * intervals.len().max(4) + 8;
    let height = top + high * samples.len() + 44;
    let _ = writeln!(
        page,
        "<figure><figcaption>{}</figcaption><div class=\"wide\"><svg width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"Heat map of the placement error\">",
        escape(&rest_words(rest, plan.octets_vary()))
    );
    for (row, &samples_per_packet) in samples.iter().enumerate() {
        let y = top + high * row;
        let _ = write!(
            page,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">{samples_per_packet}</text>",
            left - 8,
            y + high / 2 + 5
        );
        for (column, &interval_ms) in intervals.iter().enumerate() {
            let x = left + wide * column;
            let found = of.iter().find(|one| {
                one.schedule.samples_per_packet == samples_per_packet
                    && one.schedule.interval_ms == interval_ms
            });
            let Some(one) = found else {
                let _ = write!(
                    page,
                    "<text class=\"axis\" x=\"{}\" y=\"{}\" text-anchor=\"middle\">–</text>",
                    x + wide / 2,
                    y + high / 2 + 5
                );
                continue;
            };
            cell(page, plan, one, (x, y), (wide, high), one.schedule == advice.take().judged.schedule);
        }
    }
    let below = top + high * samples.len();
    for (column, interval_ms) in intervals.iter().enumerate() {
        let _ = write!(
            page,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            left + wide * column + wide / 2,
            below + 18,
            short(*interval_ms)
        );
    }
    let _ = writeln!(
        page,
        "<text class=\"axis\" x=\"{left}\" y=\"{}\">connection interval, ms</text>\
         <text class=\"axis\" transform=\"translate(14 {}) rotate(-90)\" text-anchor=\"middle\">samples</text></svg></div></figure>",
        below + 38,
        top + high * samples.len() / 2
    );
}

fn cell(
    page: &mut String,
    plan: &Plan,
    one: &Judged,
    at: (usize, usize),
    size: (usize, usize),
    chosen: bool,
) {
    let ((x, y), (wide, high)) = (at, size);
    let (colour, ink) = heat_colour(heat(one.error_ms[1]));
    let middle = x + wide / 2;
    let g = short(plan.beat(&one.schedule).divisor_ms);
    let mark = if one.overflow_share > 1e-3 { "× " } else { "" };
    let error = if one.error_ms[1].is_finite() {
        milliseconds(one.error_ms[1]).replace(" ms", "")
    } else {
        "–".to_owned()
    };
    let _ = write!(
        page,
        "<g><title>{}: error p95 {}, stated ±{}</title><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{colour}\"/>\
         <text x=\"{middle}\" y=\"{}\" text-anchor=\"middle\" style=\"fill:{ink}\">{mark}{error}</text>\
         <text x=\"{middle}\" y=\"{}\" text-anchor=\"middle\" style=\"fill:{ink};font-size:11px\">g {g}</text>",
        escape(&plan.name(&one.schedule)),
        ms(one.error_ms[1]),
        ms(one.u95_ms),
        x + 1,
        y + 1,
        wide - 2,
        high - 2,
        y + 18,
        y + 33
    );
    if chosen {
        let _ = write!(
            page,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"none\" stroke=\"var(--ink)\" stroke-width=\"3\"/>",
            x + 2,
            y + 2,
            wide - 4,
            high - 4
        );
    }
    page.push_str("</g>");
}

/// Size of a chart, px, and of what stands around its field.
const WIDE: f64 = 720.0;
const HIGH: f64 = 340.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 12.0;
const BELOW: f64 = 46.0;

/// A scale from values to px.
#[derive(Clone, Copy)]
struct Scale {
    from: f64,
    to: f64,
    begin_px: f64,
    end_px: f64,
    logarithmic: bool,
}

impl Scale {
    fn px(&self, value: f64) -> f64 {
        let of = |value: f64| if self.logarithmic { value.max(1e-12).ln() } else { value };
        let share = (of(value) - of(self.from)) / (of(self.to) - of(self.from));
        self.begin_px + share.clamp(0.0, 1.0) * (self.end_px - self.begin_px)
    }

    fn ticks(&self) -> Vec<f64> {
        let mut ticks = Vec::new();
        if self.logarithmic {
            let mut decade = 10_f64.powf(self.from.log10().floor());
            while decade <= self.to {
                ticks.extend([1.0, 2.0, 5.0].map(|times| times * decade));
                decade *= 10.0;
            }
        } else {
            let rough = (self.to - self.from) / 6.0;
            let decade = 10_f64.powf(rough.log10().floor());
            let step =
                [1.0, 2.0, 5.0, 10.0].map(|times| times * decade).into_iter().find(|step| *step >= rough);
            let step = step.unwrap_or(10.0 * decade);
            let mut at = (self.from / step).ceil() * step;
            while at <= self.to + step * 1e-6 {
                ticks.push(at);
                at += step;
            }
        }
        ticks.retain(|tick| *tick >= self.from * (1.0 - 1e-9) && *tick <= self.to * (1.0 + 1e-9));
        ticks
    }
}

fn chart_begin(page: &mut String, label: &str, x: Scale, y: Scale, x_words: &str, y_words: &str) {
    let _ = write!(
        page,
        "<div class=\"wide\"><svg width=\"{WIDE}\" height=\"{HIGH}\" viewBox=\"0 0 {WIDE} {HIGH}\" role=\"img\" aria-label=\"{}\">",
        escape(label)
    );
    for tick in x.ticks() {
        let at = x.px(tick);
        let _ = write!(
            page,
            "<line class=\"grid\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{TOP}\" y2=\"{:.1}\"/>\
             <text class=\"axis\" x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            HIGH - BELOW,
            HIGH - BELOW + 17.0,
            number(tick)
        );
    }
    for tick in y.ticks() {
        let at = y.px(tick);
        let _ = write!(
            page,
            "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/>\
             <text class=\"axis\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            WIDE - RIGHT,
            LEFT - 6.0,
            at + 4.5,
            number(tick)
        );
    }
    let _ = writeln!(
        page,
        "<text class=\"axis\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
         <text class=\"axis\" transform=\"translate(14 {:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
        (LEFT + WIDE - RIGHT) / 2.0,
        HIGH - 8.0,
        escape(x_words),
        (TOP + HIGH - BELOW) / 2.0,
        escape(y_words)
    );
}

fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    text.to_owned()
}

fn line(page: &mut String, points: &[(f64, f64)], colour: usize, dash: &str) {
    let points: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
    let _ = writeln!(
        page,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"var(--c{colour})\" stroke-width=\"2\" stroke-dasharray=\"{dash}\"/>",
        points.join(" ")
    );
}

fn against_length(page: &mut String, plan: &Plan, advice: &Advice) {
    let all = || advice.lengths.iter().flat_map(|(_, lengths)| lengths);
    let finite = || all().map(|length| length.error_p95_ms).filter(|error_ms| error_ms.is_finite());
    let (Some(first), Some(last)) = (
        all().map(|length| length.session_s / 60.0).min_by(f64::total_cmp),
        all().map(|length| length.session_s / 60.0).max_by(f64::total_cmp),
    ) else {
        return;
    };
    let least = finite().fold(plan.target_ms, f64::min) / 1.5;
    let most = finite().fold(plan.target_ms, f64::max) * 1.5;
    let x = Scale { from: first, to: last, begin_px: LEFT, end_px: WIDE - RIGHT, logarithmic: true };
    let y = Scale { from: least, to: most, begin_px: HIGH - BELOW, end_px: TOP, logarithmic: true };
    let _ = writeln!(page, "<h2>Error against the length of the session</h2>\n<figure>");
    let words = "Placement error against session length";
    chart_begin(page, words, x, y, "length of the session, min", "error, 95th percentile, ms");
    let target_px = y.px(plan.target_ms);
    let _ = writeln!(
        page,
        "<line x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{target_px:.1}\" y2=\"{target_px:.1}\" stroke=\"var(--ink)\" stroke-width=\"1\"/>\
         <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">target</text>",
        WIDE - RIGHT,
        WIDE - RIGHT - 4.0,
        target_px - 4.0
    );
    for (place, (_, lengths)) in advice.lengths.iter().enumerate() {
        let points: Vec<(f64, f64)> = lengths
            .iter()
            .filter(|length| length.error_p95_ms.is_finite())
            .map(|length| (x.px(length.session_s / 60.0), y.px(length.error_p95_ms)))
            .collect();
        line(page, &points, place % 6, DASHES[place % 6]);
        for (at_x, at_y) in points {
            let _ = write!(
                page,
                "<circle cx=\"{at_x:.1}\" cy=\"{at_y:.1}\" r=\"3.5\" fill=\"var(--c{})\"/>",
                place % 6
            );
        }
    }
    page.push_str("</svg></div><p class=\"key\">");
    for (place, (schedule, _)) in advice.lengths.iter().enumerate() {
        let taken = if *schedule == advice.take().judged.schedule { " (to take)" } else { "" };
        key(page, place % 6, DASHES[place % 6], &format!("{}{taken}", plan.name(schedule)));
    }
    page.push_str(
        "</p><figcaption>All conditions and seeds together. A session that ends before the first slip cannot know better, however \
         many packets came.</figcaption></figure>\n",
    );
}

fn key(page: &mut String, colour: usize, dash: &str, words: &str) {
    let _ = write!(
        page,
        "<span><svg width=\"34\" height=\"10\" aria-hidden=\"true\"><line x1=\"0\" x2=\"34\" y1=\"5\" y2=\"5\" stroke=\"var(--c{colour})\" \
         stroke-width=\"2.5\" stroke-dasharray=\"{dash}\"/></svg>{}</span>",
        escape(words)
    );
}

fn saw_teeth(page: &mut String, plan: &Plan, advice: &Advice) {
    let _ = writeln!(page, "<h2>The saw-tooth</h2>");
    for teeth in &advice.saw_teeth {
        saw_tooth(page, plan, teeth);
    }
    let _ = writeln!(
        page,
        "<p class=\"soft\">Points: the shortest wait beyond the fixed delay in each stretch of one simulated session. Line: the closed form, a \
         tooth of height g and length g ÷ drift. While a tooth rises, waits and drift look alike; its fall shows where zero is.</p>"
    );
}

fn saw_tooth(page: &mut String, plan: &Plan, teeth: &SawTooth) {
    let most_ms = teeth.simulated.iter().map(|point| point.1).fold(teeth.divisor_ms, f64::max) * 1.05;
    let minutes = plan.session_s / 60.0;
    let x = Scale { from: 0.0, to: minutes, begin_px: LEFT, end_px: WIDE - RIGHT, logarithmic: false };
    let y = Scale { from: 0.0, to: most_ms, begin_px: HIGH - BELOW, end_px: TOP, logarithmic: false };
    let _ = writeln!(
        page,
        "<figure><figcaption>{}: g = {} ms, drift {} ppm{}</figcaption>",
        escape(&plan.name(&teeth.schedule)),
        short(teeth.divisor_ms),
        short(teeth.drift_ppm),
        if teeth.shared_events {
            ". No line: packets share events, and one that is sent second waits on for its place."
        } else {
            ""
        }
    );
    chart_begin(page, "Shortest waits over a session", x, y, "time, min", "shortest wait, ms");
    for (at_s, wait_ms) in &teeth.simulated {
        let _ = write!(
            page,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.6\" fill=\"var(--c0)\"/>",
            x.px(at_s / 60.0),
            y.px(*wait_ms)
        );
    }
    if !teeth.shared_events {
        closed_form(page, plan, teeth, x, y);
    }
    page.push_str("</svg></div></figure>\n");
}

fn closed_form(page: &mut String, plan: &Plan, teeth: &SawTooth, x: Scale, y: Scale) {
    let beat: Beat = plan.beat(&teeth.schedule);
    let steps = 600;
    let mut tooth: Vec<(f64, f64)> = Vec::new();
    let mut before_ms = teeth.first_ms;
    for step in 0..=steps {
        let at_s = plan.session_s * f64::from(step) / f64::from(steps);
        let wait_ms = beat.shortest_wait_ms(teeth.first_ms, teeth.drift_ppm, at_s);
        if (wait_ms - before_ms).abs() > beat.divisor_ms / 2.0 {
            line(page, &tooth, 1, "");
            tooth.clear();
        }
        before_ms = wait_ms;
        tooth.push((x.px(at_s / 60.0), y.px(wait_ms)));
    }
    line(page, &tooth, 1, "");
}

fn reasons(page: &mut String, plan: &Plan, advice: &Advice) {
    if advice.bad.is_empty() {
        return;
    }
    let _ = writeln!(page, "<h2>What makes the others bad, and what mends them</h2>");
    for &place in &advice.bad {
        let verdict = &advice.ranked[place];
        let _ = writeln!(
            page,
            "<h3>{}: {}</h3><p>{}</p>",
            escape(&plan.name(&verdict.judged.schedule)),
            ms(verdict.judged.error_ms[1]),
            escape(&verdict.why_bad(plan))
        );
        if verdict.mends.is_empty() {
            page.push_str("<p class=\"soft\">No single change was tried.</p>\n");
            continue;
        }
        page.push_str("<ul>");
        for mend in &verdict.mends {
            let _ = write!(
                page,
                "<li>{} {}: {}</li>",
                if mend.mends { "✓" } else { "✗" },
                escape(&mend.change),
                ms(mend.judged.error_ms[1])
            );
        }
        page.push_str("</ul>\n");
    }
    let _ = writeln!(
        page,
        "<p class=\"soft\">✓: this change alone brings the error within {}, and no queue overflows. Every change was simulated.</p>",
        milliseconds(plan.target_ms)
    );
}

fn ranking(page: &mut String, plan: &Plan, advice: &Advice) {
    let _ = write!(
        page,
        "<h2>All schedules</h2>\n<div class=\"wide\"><table><thead><tr><th>schedule</th><th>g, ms</th><th>slip, s</th><th>p50, ms</th>\
         <th>p95, ms</th><th>p99, ms</th><th>u95, ms</th><th>held</th><th>sure after, s</th><th>lost</th><th>duty</th><th>mAh/h</th>\
         <th>latency p99, ms</th></tr></thead><tbody>"
    );
    let digits = |value: f64| if value.is_finite() { format!("{value:.2}") } else { "–".to_owned() };
    for (place, verdict) in advice.ranked.iter().enumerate() {
        let one = &verdict.judged;
        let beat = plan.beat(&one.schedule);
        let _ = write!(
            page,
            "<tr{}><td style=\"text-align:left\">{}</td>",
            if place == advice.chosen { " class=\"chosen\"" } else { "" },
            escape(&plan.name(&one.schedule))
        );
        for text in [
            digits(beat.divisor_ms),
            digits(beat.slip_period_s(plan.usual_drift_ppm())),
            digits(one.error_ms[0]),
            digits(one.error_ms[1]),
            digits(one.error_ms[2]),
            digits(one.u95_ms),
            format!("{:.1} %", 100.0 * one.held_share),
            one.sure_after_s.map_or_else(|| "never".to_owned(), |s| format!("{s:.0}")),
            format!("{:.2} %", 100.0 * one.overflow_share),
            format!("{:.1} %", 100.0 * one.cost.duty_cycle),
            format!("{:.3}", one.cost.mah_per_hour),
            digits(one.latency_p99_ms),
        ] {
            let _ = write!(page, "<td>{text}</td>");
        }
        page.push_str("</tr>");
    }
    let _ = writeln!(page, "</tbody></table></div>\n<p class=\"soft\">{}</p>", escape(LEGEND));
}
