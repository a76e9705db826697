//! What the command tells people, in plain text of at most 80 columns.

use std::fmt::Write;
use std::path::Path;

use tickseam_record::{
    ALIGNMENT_VERSION, Alignment, BudgetSummary, ErrorSizes, InputFile, MapSummary, SegmentSummary, Verdict,
};
use tickseam_sim::{Scenario, Simulated};

use crate::NUMERICS_REVISION;
use crate::align::{Aligned, Captured};
use crate::compare::Comparison;

const COLUMNS: usize = 80;
/// Where the text begins, beside its heading.
const INDENT: usize = 13;

/// One thing that was found, as a sentence.
#[derive(Clone, Debug)]
pub(crate) struct Finding {
    /// One word that heads it.
    pub(crate) heading: &'static str,
    /// The sentence.
    pub(crate) sentence: String,
}

/// All that an alignment found, in sentences.
pub(crate) fn findings(aligned: &Aligned, captured: &Captured<'_>) -> Vec<Finding> {
    let mut all = vec![Finding { heading: "Events", sentence: events(aligned) }];
    for segment in &aligned.segments {
        let of =
            if aligned.segments.len() > 1 { format!("Segment {}: ", segment.segment) } else { String::new() };
        all.push(Finding { heading: "Clock", sentence: format!("{of}{}", drift(segment)) });
        all.push(Finding { heading: "Link", sentence: format!("{of}{}", link(segment, captured)) });
        if let Some(remedy) = remedy(segment, captured) {
            all.push(Finding { heading: "Remedy", sentence: format!("{of}{remedy}") });
        }
    }
    all.push(Finding { heading: "Limit", sentence: limit(aligned) });
    all.push(Finding { heading: "Fixed delay", sentence: fixed_delay(captured, aligned) });
    if captured.exchanges.len() + captured.markers.len() > 0 {
        let used = |of: fn(&SegmentSummary) -> u64| aligned.segments.iter().map(of).sum::<u64>();
        let sentence = format!(
            "{} of {} exchanges and {} of {} markers were used.",
            used(|segment| segment.exchanges_used),
            captured.exchanges.len(),
            used(|segment| segment.markers_used),
            captured.markers.len()
        );
        all.push(Finding { heading: "Two-way", sentence });
    }
    all
}

fn events(aligned: &Aligned) -> String {
    let counts = &aligned.counts;
    if counts.total == 0 {
        return "The recording has no events.".to_owned();
    }
    let mut text = format!("{} of {} events were placed", counts.placed, counts.total);
    for (count, words) in [
        (counts.in_gap, "where samples were lost"),
        (counts.outside, "before the first or after the last sample"),
        (counts.unplaced, "without a clock map"),
    ] {
        if count > 0 {
            let _ = write!(text, ", {count} {} {words}", if count == 1 { "lies" } else { "lie" });
        }
    }
    text.push('.');
    if let (Some(median_ms), Some(largest_ms)) = (counts.u95_median_ms, counts.u95_largest_ms) {
        let _ = write!(
            text,
            " Half of them are known to ±{} or better (95 % interval), the least sure to ±{}.",
            milliseconds(median_ms),
            milliseconds(largest_ms)
        );
    }
    text
}

/// Changes of clocks that the summary tells one by one.
const CHANGES_TOLD: usize = 6;

fn drift(segment: &SegmentSummary) -> String {
    let (Some(first), Some(last)) = (segment.maps.first(), segment.maps.last()) else {
        return "no clock map could be made.".to_owned();
    };
    let middle = &segment.maps[segment.maps.len() / 2];
    let MapSummary { drift_ppm, u_drift_ppm, .. } = middle;
    let direction = match u_drift_ppm {
        Some(u_ppm) if drift_ppm.abs() < 2.0 * u_ppm => "may run fast or slow",
        _ if *drift_ppm >= 0.0 => "runs fast",
        _ => "runs slow",
    };
    let mut text = format!(
        "drift {drift_ppm:+.2} ppm{}: the headset's clock {direction} against the phone's",
        u_drift_ppm.map_or_else(String::new, |u_ppm| format!(" (standard uncertainty {u_ppm:.2} ppm)")),
    );
    if segment.maps.len() > 2 {
        let _ = write!(text, "; {:+.2} ppm at first, {:+.2} ppm at the end", first.drift_ppm, last.drift_ppm);
    }
    let mut of_clocks = segment.changes.iter().filter_map(|change| match change.cause.as_str() {
        "host-clock-step" => Some(format!("; the phone's clock was set by {:+.0} ms", change.step_ms)),
        "host-suspend" => Some(format!("; the phone's clock stood still for {:.0} ms", -change.step_ms)),
        "device-clock-step" => Some(format!("; the headset's tick jumped by {:+.0} ms", -change.step_ms)),
        _ => None,
    });
    text.extend(of_clocks.by_ref().take(CHANGES_TOLD));
    let more = of_clocks.count();
    if more > 0 {
        let _ = write!(text, "; and {more} more changes of clocks, all in alignment.json");
    }
    text.push('.');
    text
}

fn link(segment: &SegmentSummary, captured: &Captured<'_>) -> String {
    let declared = captured.description.link.connection_interval_ms.is_some();
    let grid = |rest: &str| {
        let interval_ms = segment.grid_interval_ms.unwrap_or(0.0);
        let Some(beat_ms) = segment.beat_ms else {
            return format!("packets wait for a grid of {interval_ms:.2} ms and meet all its phases, {rest}");
        };
        let slips = segment.beat_slips.unwrap_or(0.0);
        format!(
            "packets wait for a grid of {interval_ms:.2} ms and beat with it by {beat_ms:.2} ms; \
             the beat slipped {slips:.1} times, {rest}"
        )
    };
    let unseen_ms = segment.unseen_interval_ms.unwrap_or(0.0);
    let mut text = match segment.link_kind.as_str() {
        "grid-polled" => grid(&format!(
            "but no radio of Bluetooth LE has such a grid. An app or a dongle that asks for packets at times of its own may, and hides for how \
             long they waited for the radio: the interval allows for up to {unseen_ms:.2} ms more."
        )),
        "batched" => format!(
            "an app or a dongle collects packets and hands over several at once{}, which hides for how long each waited for the radio: the \
             interval allows for {}.",
            segment.grid_interval_ms.map_or_else(String::new, |grid_ms| format!(", on a grid of {grid_ms:.2} ms")),
            if declared {
                format!("the declared connection interval of {unseen_ms:.2} ms")
            } else {
                format!("any usual connection interval up to {unseen_ms:.2} ms")
            }
        ),
        "grid-slipping" => grid("so the shortest waits were seen."),
        "grid-partly-slipping" => grid("so the shortest waits were seen in part."),
        "grid-locked" => {
            grid("so the shortest waits may never have been seen, and the offset is open within the beat.")
        }
        "grid-lost" => {
            "packets came on a grid that could not be followed, so nothing bounds the clock from below there."
                .to_owned()
        }
        "congested" => {
            "so many packets are missing that the headset's queue may be overflowing. Then no packet need have left \
             when it was ready, and arrivals bound the clock from above only."
                .to_owned()
        }
        "no-grid" => "no grid of instants was found; delays lie above a floor.".to_owned(),
        "grid-unseen" => format!(
            "no grid of instants shows, but packets may be locked to one of {:.2} ms, and too few came to rule it out: \
             the interval allows for it.",
            unseen_ms
        ),
        _ => "too few packets to say anything of the link.".to_owned(),
    };
    let times = |cause: &str| segment.changes.iter().filter(|change| change.cause == cause).count();
    for (cause, words) in
        [("interval-change", "The interval changed"), ("anchor-rephase", "The grid's phase jumped")]
    {
        match times(cause) {
            0 => {}
            1 => {
                let _ = write!(text, " {words} once.");
            }
            many => {
                let _ = write!(text, " {words} {many} times.");
            }
        }
    }
    match segment.streams_joined.as_slice() {
        [] => {}
        [one] => {
            let _ = write!(text, " Packets of stream {one} bound the clock too.");
        }
        many => {
            let _ = write!(text, " Packets of streams {} bound the clock too.", many.join(", "));
        }
    }
    if segment.declared_interval_refuted {
        text.push_str(if matches!(segment.link_kind.as_str(), "grid-polled" | "batched") {
            " The declared connection interval does not show in the arrivals."
        } else {
            " The declared connection interval does not fit the arrivals."
        });
    }
    if segment.fixed_delay_refuted {
        text.push_str(
            " Exchanges or markers contradict the declared fixed delay: one of them is wrong, or packets carry another tick than \
             that of their first sample. Intervals reach over both.",
        );
    }
    text
}

/// Intervals that Bluetooth LE allows, ms (Bluetooth Core, Vol 6 Part B, 4.5.1): the shortest and the step.
const SHORTEST_INTERVAL_MS: f64 = 7.5;
const INTERVAL_STEP_MS: f64 = 1.25;

/// What would make the link's part of the uncertainty smaller, with numbers; `None` where it is not the link that limits.
fn remedy(segment: &SegmentSummary, captured: &Captured<'_>) -> Option<String> {
    let stream = captured.description.streams.first()?;
    let packet_ms = f64::from(stream.samples_per_packet) / stream.rate_hz * 1e3;
    match segment.link_kind.as_str() {
        "grid-polled" | "batched" => Some(
            "stamp packets as the phone receives them, not as the app asks for them; or declare the radio's connection_interval_ms in \
             recording.toml, or record a marker that both clocks see."
                .to_owned(),
        ),
        "grid-locked" | "grid-partly-slipping" => {
            let (interval_ms, beat_ms) = (segment.grid_interval_ms?, segment.beat_ms?);
            let mut text = String::new();
            // The allowed interval next to the present one whose beat is least.
            let steps = ((2.0 * interval_ms - SHORTEST_INTERVAL_MS) / INTERVAL_STEP_MS).max(0.0) as u32;
            let better = (0..=steps)
                .map(|step| SHORTEST_INTERVAL_MS + f64::from(step) * INTERVAL_STEP_MS)
                .map(|other_ms| (tickseam_sim::common_divisor_ms(packet_ms, other_ms), other_ms))
                .filter(|&(other_beat_ms, _)| other_beat_ms < beat_ms / 1.5)
                .min_by(|a, b| {
                    let apart = |other_ms: f64| (other_ms - interval_ms).abs();
                    a.0.total_cmp(&b.0).then(apart(a.1).total_cmp(&apart(b.1)))
                });
            if let Some((other_beat_ms, other_ms)) = better {
                let _ = write!(
                    text,
                    "a connection interval of {other_ms:.2} ms would beat by {other_beat_ms:.2} ms instead. Or: "
                );
            }
            if let Some(period_s) = segment.slip_period_s.filter(|&period_s| period_s < 36_000.0) {
                let _ = write!(text, "record for {} or longer, or record ", duration(4.0 * period_s));
            } else {
                text.push_str("record ");
            }
            text.push_str("a marker that both clocks see at the start and another at the end.");
            Some(text)
        }
        "grid-unseen" => Some(
            "declare connection_interval_ms in recording.toml, record longer, or record one marker that both clocks see."
                .to_owned(),
        ),
        "congested" => Some(format!(
            "send less, or ask for a connection interval that lets each {packet_ms:.2} ms packet go at once."
        )),
        _ => None,
    }
}

/// The largest line of a budget that adds up without its sub-lines: its place among statistics, lattice, curvature, holdover, fixed
/// delay, resolution and latency, and its half-width, ms.
pub(crate) fn largest_line(budget: &BudgetSummary) -> (usize, f64) {
    let lines = [
        budget.statistics_ms,
        budget.lattice_ms,
        budget.curvature_ms,
        budget.holdover_ms,
        budget.fixed_delay_ms,
        budget.resolution_ms,
        budget.latency_ms,
    ];
    lines.into_iter().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0))
}

/// What each line of a budget is, in the order of [`largest_line`].
const LINES: [&str; 7] = [
    "what the scatter of the delays leaves open of the clock",
    "what the link's grid leaves open of the clock",
    "how far the crystal may wander between the moments at which the clock is seen",
    "the age of the last packets",
    "the uncertainty of the fixed delay",
    "the steps of the stamps",
    "the latencies of the event labels",
];

fn limit(aligned: &Aligned) -> String {
    let Some(budget) = aligned.counts.budget_median else { return "nothing was placed.".to_owned() };
    let (line, ms) = largest_line(&budget);
    format!("what limits most events is {} (±{}).", LINES[line], milliseconds(ms))
}

fn fixed_delay(captured: &Captured<'_>, aligned: &Aligned) -> String {
    let link = &captured.description.link;
    match (link.fixed_delay_ms, link.fixed_delay_u_ms) {
        (Some(ms), Some(u_ms)) => {
            format!("{ms:.2} ms, declared with a standard uncertainty of {}.", milliseconds(u_ms))
        }
        (Some(ms), None) => format!("{ms:.2} ms, declared without an uncertainty and taken for exact."),
        (None, _) if aligned.segments.iter().all(|segment| segment.fixed_delay_known) => {
            "not declared; exchanges or markers place the clock without it.".to_owned()
        }
        (None, _) => "unknown: every onset is too early by the smallest time that the link takes, and no interval counts \
                      it. Differences between events are not touched by this."
            .to_owned(),
    }
}

/// All of `alignment.json`: what an alignment found, of which files, and what was passed over while reading them.
pub(crate) fn alignment(
    aligned: &Aligned,
    comparison: Option<&Comparison>,
    inputs: Vec<InputFile>,
    notes: Vec<String>,
    findings: &[Finding],
    verdict: Option<Verdict>,
) -> Alignment {
    Alignment {
        version: ALIGNMENT_VERSION,
        tickseam: env!("CARGO_PKG_VERSION").to_owned(),
        numerics_revision: NUMERICS_REVISION,
        inputs,
        notes: notes.into_iter().chain(aligned.remarks.iter().cloned()).collect(),
        streams: aligned.streams.clone(),
        segments: aligned.segments.clone(),
        events: aligned.counts.clone(),
        words: findings.iter().map(|finding| finding.sentence.clone()).collect(),
        verdict,
        error_against_truth: comparison.map(|comparison| comparison.errors.clone()),
    }
}

/// The summary that a person reads after a replay.
pub(crate) fn for_people(
    name: &str,
    out: &Path,
    aligned: &Aligned,
    alignment: &Alignment,
    comparison: Option<&Comparison>,
    findings: &[Finding],
) -> String {
    let mut text = String::new();
    let segments = match aligned.segments.len() {
        1 => "1 segment".to_owned(),
        count => format!("{count} segments"),
    };
    paragraph(&mut text, "Recording", &format!("{name}: {}, {segments}.", duration(aligned.duration_s)));
    text.push('\n');
    let width =
        aligned.streams.iter().map(|stream| stream.name.chars().count()).max().unwrap_or(0).clamp(6, 24);
    let _ = writeln!(
        text,
        "{:<INDENT$}{:<width$} {:>9} {:>9} {:>12} {:>7} {:>7}",
        "Streams", "", "packets", "missing", "longest gap", "late", "twice"
    );
    for stream in &aligned.streams {
        let name: String = stream.name.chars().take(width).collect();
        let _ = writeln!(
            text,
            "{:<INDENT$}{name:<width$} {:>9} {:>9} {:>12} {:>7} {:>7}",
            "",
            stream.packets_received,
            stream.packets_missing,
            if stream.gaps > 0 { format!("{:.2} s", stream.longest_gap_s) } else { "-".to_owned() },
            stream.late,
            stream.duplicates,
        );
    }
    text.push('\n');
    if let Some(verdict) = &alignment.verdict {
        paragraph(&mut text, "Verdict", &verdict.sentence);
    }
    for finding in findings {
        paragraph(&mut text, finding.heading, &finding.sentence);
    }
    for note in &alignment.notes {
        paragraph(&mut text, "Note", note);
    }
    if let Some(comparison) = comparison {
        text.push('\n');
        let known = aligned.segments.iter().all(|segment| segment.fixed_delay_known);
        against_truth(&mut text, comparison, known);
    }
    text.push('\n');
    paragraph(
        &mut text,
        "Written",
        &format!(
            "report.html, events.tsv with events.json, gaps.csv, alignment.json, placements.parquet and packets.parquet, in the folder {}",
            out.display()
        ),
    );
    text
}

fn against_truth(text: &mut String, comparison: &Comparison, fixed_delay_known: bool) {
    let errors = &comparison.errors;
    let heading = format!(
        "Against the truth of {} events, which the estimator did not see: error in ms",
        errors.events_compared
    );
    let _ = writeln!(text, "{heading}");
    let _ = writeln!(
        text,
        "{:<INDENT$}{:<26} {:>7} {:>7} {:>7} {:>8} {:>7}",
        "", "", "median", "95 %", "99 %", "largest", "held"
    );
    let mut line = |name: &str, sizes: Option<&ErrorSizes>, held: Option<f64>| {
        let Some(ErrorSizes { median_ms, p95_ms, p99_ms, largest_ms }) = sizes else { return };
        let held = held.map_or_else(|| "-".to_owned(), |share| format!("{:.1} %", share * 100.0));
        let _ = writeln!(
            text,
            "{:<INDENT$}{name:<26} {median_ms:>7.3} {p95_ms:>7.3} {p99_ms:>7.3} {largest_ms:>8.3} {held:>7}",
            ""
        );
    };
    line("replayed", Some(&errors.placement), Some(errors.interval_held_share));
    line("live, one second after", errors.live.as_ref(), errors.live_interval_held_share);
    line("newest arrival's stamp", errors.arrival_stamp.as_ref(), None);
    line("least squares, all packets", errors.least_squares.as_ref(), None);
    if comparison.in_another_segment > 0 {
        paragraph(
            text,
            "",
            &format!(
                "{} more events were put into another segment than the true one; they count as not held.",
                comparison.in_another_segment
            ),
        );
    }
    paragraph(text, "", "\"held\" is how often the 95 % interval held the truth.");
    if !fixed_delay_known {
        paragraph(text, "", "The truth counts the fixed delay, which nobody told the estimator: see above.");
    }
}

/// What the simulator did.
pub(crate) fn of_simulation(
    path: &Path,
    out: &Path,
    seed: u64,
    scenario: &Scenario,
    session: &Simulated,
) -> String {
    let counts = &session.statistics;
    let mut text = String::new();
    paragraph(&mut text, "Simulated", &format!("{} of {}.", duration(scenario.duration_s), path.display()));
    let lost =
        counts.queue_drops + counts.outage_drops + counts.air_losses + counts.unsent + counts.app_losses;
    paragraph(
        &mut text,
        "Packets",
        &format!(
            "{} handed to the app, {lost} lost ({} by a full queue, {} with the connection, {} on the air, {} by the app, \
             {} unsent at the end), {} handed over twice, {} out of order.",
            session.packets.len(),
            counts.queue_drops,
            counts.outage_drops,
            counts.air_losses,
            counts.app_losses,
            counts.unsent,
            counts.duplicates,
            counts.reorderings
        ),
    );
    let repeats = if counts.attempts > 0 { counts.failures as f64 / counts.attempts as f64 } else { 0.0 };
    paragraph(
        &mut text,
        "Link",
        &format!(
            "{:.1} % of the transmissions failed; {:.0} % of the packets went at their first chance; they waited {:.2} ms on \
             average.",
            repeats * 100.0,
            counts.first_opportunity_share * 100.0,
            counts.mean_wait_ms
        ),
    );
    if let Some(beat_ms) = counts.beat_ms {
        paragraph(
            &mut text,
            "Beat",
            &format!("{beat_ms:.2} ms between packets and grid, which slipped {:.1} times.", counts.slips),
        );
    }
    paragraph(&mut text, "Events", &format!("{}.", session.events.len()));
    let _ = writeln!(
        text,
        "\n{:<INDENT$}tickseam simulate {} --out {} --seed {seed}",
        "Again",
        path.display(),
        out.display()
    );
    let _ = writeln!(text, "{:<INDENT$}tickseam replay {}", "Next", out.display());
    text
}

/// Writes a heading and its text, folded to the page.
pub(crate) fn paragraph(text: &mut String, heading: &str, sentence: &str) {
    let mut line = format!("{heading:<INDENT$}");
    let mut empty = true;
    for word in sentence.split_whitespace() {
        let space = usize::from(!empty);
        if !empty && line.chars().count() + space + word.chars().count() > COLUMNS {
            let _ = writeln!(text, "{}", line.trim_end());
            line = " ".repeat(INDENT);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(text, "{}", line.trim_end());
}

/// A time in ms with about three digits and its unit.
pub(crate) fn milliseconds(ms: f64) -> String {
    let size = ms.abs();
    let decimals = if size < 0.1 {
        3
    } else if size < 10.0 {
        2
    } else {
        usize::from(size < 100.0)
    };
    format!("{ms:.decimals$} ms")
}

/// A length of time in the units that suit it.
pub(crate) fn duration(seconds: f64) -> String {
    if seconds < 120.0 {
        return format!("{seconds:.1} s");
    }
    let whole = seconds.round() as u64;
    let (hours, minutes, rest) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 { format!("{hours} h {minutes} min {rest} s") } else { format!("{minutes} min {rest} s") }
}
