//! The ranking and its reasons as a person reads them on a terminal, 80 columns wide.

use std::fmt::Write as _;

use tickseam_sim::scenario::TickStamp;

use super::advice::{Advice, error_words, short};
use super::plan::Plan;
use super::sweep::Judged;
use crate::summary::paragraph;

/// Most rows of the table: the best and the worst of a larger ranking.
const MOST_ROWS: usize = 24;
const LAST_ROWS: usize = 4;
/// Most bad schedules that are spoken of.
const MOST_REASONS: usize = 5;
const COLUMNS: usize = 80;

struct Column {
    heading: &'static str,
    width: usize,
    /// Those with the highest number go first where not all fit.
    spare: u8,
    of: fn(&Plan, &Judged) -> String,
}

const fn column(heading: &'static str, width: usize, spare: u8, of: fn(&Plan, &Judged) -> String) -> Column {
    Column { heading, width, spare, of }
}

fn columns(plan: &Plan) -> Vec<Column> {
    let any = |of: fn(&super::plan::Schedule) -> bool| plan.schedules.iter().any(of);
    let mut columns = vec![column("samp", 5, 0, |_, one| {
        let schedule = &one.schedule;
        match schedule.dither_samples {
            0 => schedule.samples_per_packet.to_string(),
            dither => format!("{}±{dither}", schedule.samples_per_packet),
        }
    })];
    if plan.octets_vary() {
        columns.push(column("oct", 4, 0, |_, one| {
            one.schedule.octets_per_sample.map_or_else(|| "-".to_owned(), |octets| octets.to_string())
        }));
    }
    columns.push(column("interv", 7, 0, |_, one| short(one.schedule.interval_ms)));
    if any(|schedule| schedule.exchange_period_s > 0.0) {
        columns.push(column("exch", 5, 0, |_, one| match one.schedule.exchange_period_s {
            0.0 => "-".to_owned(),
            period_s => short(period_s),
        }));
    }
    if any(|schedule| schedule.tick_stamp != TickStamp::FirstSample) {
        columns.push(column("stamp", 6, 0, |_, one| {
            let short = match one.schedule.tick_stamp {
                TickStamp::FirstSample => "first",
                TickStamp::LastSample => "last",
                TickStamp::Enqueue => "queue",
                TickStamp::RadioEvent => "radio",
            };
            short.to_owned()
        }));
    }
    columns.extend([
        column("g", 6, 0, |plan, one| short(plan.beat(&one.schedule).divisor_ms)),
        column("slip", 6, 0, |plan, one| {
            seconds(plan.beat(&one.schedule).slip_period_s(plan.usual_drift_ppm()))
        }),
        column("p50", 6, 3, |_, one| digits(one.error_ms[0])),
        column("p95", 6, 0, |_, one| digits(one.error_ms[1])),
        column("p99", 6, 0, |_, one| digits(one.error_ms[2])),
        column("u95", 6, 0, |_, one| digits(one.u95_ms)),
        column("held", 5, 0, |_, one| format!("{:.0}%", 100.0 * one.held_share)),
        column("sure", 6, 1, |_, one| one.sure_after_s.map_or_else(|| "never".to_owned(), seconds)),
        column("lost", 5, 1, |_, one| percent(one.overflow_share)),
        column("duty", 5, 2, |_, one| percent(one.cost.duty_cycle)),
        column("mAh/h", 6, 0, |_, one| digits(one.cost.mah_per_hour)),
        column("lat99", 6, 4, |_, one| digits(one.latency_p99_ms)),
    ]);
    // The mark of the schedule to take stands before all.
    while 2 + columns.iter().map(|column| column.width).sum::<usize>() > COLUMNS {
        let Some(most) = columns.iter().map(|column| column.spare).max() else { break };
        let Some(place) = columns.iter().rposition(|column| column.spare == most) else { break };
        columns.remove(place);
    }
    columns
}

/// Three digits or so, in at most five characters.
fn digits(value: f64) -> String {
    match value {
        value if !value.is_finite() => "-".to_owned(),
        value if value < 10.0 => format!("{value:.2}"),
        value if value < 100.0 => format!("{value:.1}"),
        value if value < 99_999.0 => format!("{value:.0}"),
        _ => ">1e5".to_owned(),
    }
}

fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent > 0.0 && percent < 9.95 { format!("{percent:.1}%") } else { format!("{percent:.0}%") }
}

/// A time in at most five characters: `45s`, `9.5m`, `3.1h`.
fn seconds(s: f64) -> String {
    match s {
        s if !s.is_finite() => "never".to_owned(),
        s if s < 99.5 => format!("{s:.0}s"),
        s if s < 5970.0 => format!("{:.1}m", s / 60.0),
        s if s < 359_640.0 => format!("{:.1}h", s / 3600.0),
        _ => ">99h".to_owned(),
    }
}

/// All that the command says.
pub fn for_people(plan: &Plan, advice: &Advice, written: &str) -> String {
    let mut text = String::new();
    let take = advice.take();
    paragraph(
        &mut text,
        "Swept",
        &format!(
            "{}, each in {} sessions of {} s: {} conditions, {} seeds. Times are in ms where no unit stands.",
            counted(advice.ranked.len()),
            take.judged.runs,
            short(plan.session_s),
            plan.conditions.len(),
            plan.seeds
        ),
    );
    for (asked_ms, granted_ms) in &plan.changed_ms {
        paragraph(
            &mut text,
            "Phone",
            &format!("where {asked_ms} ms are asked for, it grants {granted_ms} ms."),
        );
    }
    if let Some(first) = plan.impossible.first() {
        paragraph(
            &mut text,
            "Left out",
            &format!(
                "{} schedules that cannot be; {}: {}.",
                plan.impossible.len(),
                plan.name(&first.schedule),
                first.why
            ),
        );
    }
    text.push('\n');
    rows(&mut text, plan, advice);
    text.push('\n');
    paragraph(&mut text, "Take", &advice.why(plan));
    for &place in advice.bad.iter().take(MOST_REASONS) {
        let verdict = &advice.ranked[place];
        let sentence = format!(
            "{} ({}). {}",
            plan.name(&verdict.judged.schedule),
            error_words(verdict.judged.error_ms[1]),
            verdict.in_words(plan)
        );
        paragraph(&mut text, "Not", &sentence);
    }
    if advice.bad.len() > MOST_REASONS {
        let rest = advice.bad.len() - MOST_REASONS;
        paragraph(&mut text, "", &format!("{rest} more are above the target; the page has all of them."));
    }
    text.push('\n');
    paragraph(&mut text, "Columns", LEGEND);
    paragraph(&mut text, "Assumed", &plan.radio.in_words());
    paragraph(&mut text, "", &assumptions(plan));
    paragraph(&mut text, "Written", written);
    text
}

/// A number of schedules in words.
pub(super) fn counted(schedules: usize) -> String {
    if schedules == 1 { "1 schedule".to_owned() } else { format!("{schedules} schedules") }
}

/// What the columns mean.
pub(super) const LEGEND: &str = "samp: samples per packet; interv: connection interval granted; g: step of the beat; slip: time between slips \
     at the median drift; p50, p95, p99: error of the placements, replayed; u95: median half-width stated; held: share of the \
     intervals that held the truth; sure: time until the live u95 stays within the target; lost: share lost to a full queue; duty: \
     share of the time that the radio is on; mAh/h: charge in an hour; lat99: 99th percentile from a packet's first sample to the app.";

/// What holds for all runs.
pub(super) fn assumptions(plan: &Plan) -> String {
    let declared = match plan.base.declare.fixed_delay_u_ms {
        0.0 => "known exactly, as its error is the same whatever the schedule".to_owned(),
        u_ms => format!("known with a standard uncertainty of {u_ms} ms"),
    };
    format!(
        "Simulated links, not yours: the fixed delay is {declared}; the phone stamps with {} ms of delay on average.",
        plan.base.host.stack_delay_ms
    )
}

fn rows(text: &mut String, plan: &Plan, advice: &Advice) {
    let columns = columns(plan);
    let mut line = "  ".to_owned();
    for column in &columns {
        let _ = write!(line, "{:>width$}", column.heading, width = column.width);
    }
    let _ = writeln!(text, "{line}");
    let count = advice.ranked.len();
    let mut skipped = 0;
    for (place, verdict) in advice.ranked.iter().enumerate() {
        let kept = count <= MOST_ROWS
            || place < MOST_ROWS - LAST_ROWS
            || place >= count - LAST_ROWS
            || place == advice.chosen;
        if !kept {
            skipped += 1;
            continue;
        }
        if skipped > 0 {
            let _ = writeln!(text, "  … {skipped} more");
            skipped = 0;
        }
        let mut line = if place == advice.chosen { "> ".to_owned() } else { "  ".to_owned() };
        for column in &columns {
            let _ = write!(line, "{:>width$}", (column.of)(plan, &verdict.judged), width = column.width);
        }
        let _ = writeln!(text, "{line}");
    }
}
