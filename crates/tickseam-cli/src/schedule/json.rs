//! The same for machines.

use serde::Serialize;

use tickseam_sim::scenario::TickStamp;

use super::advice::{Advice, Mend, Verdict};
use super::plan::{Plan, Schedule};
use super::radio::Radio;
use super::sweep::Judged;

/// Version of the layout: raised when a key goes or changes its meaning.
pub const VERSION: u32 = 1;

/// The whole answer. Numbers that are not finite (events not placed, no slip without drift) are null.
#[derive(Debug, Serialize)]
pub struct Report {
    version: u32,
    tickseam: &'static str,
    numerics_revision: u32,
    session_s: f64,
    target_ms: f64,
    first_seed: u64,
    seeds: u64,
    conditions: Vec<ConditionRow>,
    radio: Radio,
    /// In words what the charge rests on.
    assumptions: Vec<String>,
    /// Place of the schedule to take in `schedules`, from 0.
    take: usize,
    why: String,
    /// The best first.
    schedules: Vec<ScheduleRow>,
    impossible: Vec<ImpossibleRow>,
    against_length: Vec<LengthRow>,
}

#[derive(Debug, Serialize)]
struct ConditionRow {
    error_rate: f64,
    drift_ppm: f64,
}

#[derive(Debug, Serialize)]
struct Choice {
    samples_per_packet: u32,
    dither_samples: u32,
    interval_ms: f64,
    octets_per_sample: Option<u32>,
    exchange_period_s: f64,
    tick_stamp: TickStamp,
}

#[derive(Debug, Serialize)]
struct Numbers {
    beat_ms: f64,
    slip_period_s: f64,
    runs: usize,
    events: usize,
    error_p50_ms: f64,
    error_p95_ms: f64,
    error_p99_ms: f64,
    worst_run_error_p95_ms: f64,
    u95_median_ms: f64,
    held_share: f64,
    live_u95_within_target_after_s: Option<f64>,
    queue_overflow_share: f64,
    missing_share: f64,
    first_chance_share: f64,
    radio_duty_cycle: f64,
    charge_mah_per_hour: f64,
    latency_p99_ms: f64,
}

#[derive(Debug, Serialize)]
struct ScheduleRow {
    #[serde(flatten)]
    choice: Choice,
    #[serde(flatten)]
    numbers: Numbers,
    cause: &'static str,
    why: String,
    mends: Vec<MendRow>,
}

#[derive(Debug, Serialize)]
struct MendRow {
    change: String,
    mends: bool,
    #[serde(flatten)]
    choice: Choice,
    #[serde(flatten)]
    numbers: Numbers,
}

#[derive(Debug, Serialize)]
struct ImpossibleRow {
    #[serde(flatten)]
    choice: Choice,
    why: String,
}

#[derive(Debug, Serialize)]
struct LengthRow {
    #[serde(flatten)]
    choice: Choice,
    session_s: f64,
    error_p95_ms: f64,
    u95_median_ms: f64,
}

impl From<&Schedule> for Choice {
    fn from(schedule: &Schedule) -> Self {
        Self {
            samples_per_packet: schedule.samples_per_packet,
            dither_samples: schedule.dither_samples,
            interval_ms: schedule.interval_ms,
            octets_per_sample: schedule.octets_per_sample,
            exchange_period_s: schedule.exchange_period_s,
            tick_stamp: schedule.tick_stamp,
        }
    }
}

fn numbers(plan: &Plan, judged: &Judged) -> Numbers {
    let beat = plan.beat(&judged.schedule);
    Numbers {
        beat_ms: beat.divisor_ms,
        slip_period_s: beat.slip_period_s(plan.usual_drift_ppm()),
        runs: judged.runs,
        events: judged.events,
        error_p50_ms: judged.error_ms[0],
        error_p95_ms: judged.error_ms[1],
        error_p99_ms: judged.error_ms[2],
        worst_run_error_p95_ms: judged.worst_run_ms,
        u95_median_ms: judged.u95_ms,
        held_share: judged.held_share,
        live_u95_within_target_after_s: judged.sure_after_s,
        queue_overflow_share: judged.overflow_share,
        missing_share: judged.missing_share,
        first_chance_share: judged.first_chance_share,
        radio_duty_cycle: judged.cost.duty_cycle,
        charge_mah_per_hour: judged.cost.mah_per_hour,
        latency_p99_ms: judged.latency_p99_ms,
    }
}

fn schedule_row(plan: &Plan, verdict: &Verdict) -> ScheduleRow {
    let mend = |mend: &Mend| MendRow {
        change: mend.change.clone(),
        mends: mend.mends,
        choice: (&mend.judged.schedule).into(),
        numbers: numbers(plan, &mend.judged),
    };
    ScheduleRow {
        choice: (&verdict.judged.schedule).into(),
        numbers: numbers(plan, &verdict.judged),
        cause: verdict.cause.name(),
        why: verdict.why_bad(plan),
        mends: verdict.mends.iter().map(mend).collect(),
    }
}

/// What `--json` prints.
pub fn report(plan: &Plan, advice: &Advice) -> Report {
    Report {
        version: VERSION,
        tickseam: env!("CARGO_PKG_VERSION"),
        numerics_revision: crate::NUMERICS_REVISION,
        session_s: plan.session_s,
        target_ms: plan.target_ms,
        first_seed: plan.first_seed,
        seeds: plan.seeds,
        conditions: plan
            .conditions
            .iter()
            .map(|condition| ConditionRow {
                error_rate: condition.error_rate,
                drift_ppm: condition.drift_ppm,
            })
            .collect(),
        radio: plan.radio,
        assumptions: vec![plan.radio.in_words(), super::table::assumptions(plan)],
        take: advice.chosen,
        why: advice.why(plan),
        schedules: advice.ranked.iter().map(|verdict| schedule_row(plan, verdict)).collect(),
        impossible: plan
            .impossible
            .iter()
            .map(|one| ImpossibleRow { choice: (&one.schedule).into(), why: one.why.clone() })
            .collect(),
        against_length: advice
            .lengths
            .iter()
            .flat_map(|(schedule, lengths)| {
                lengths.iter().map(|length| LengthRow {
                    choice: schedule.into(),
                    session_s: length.session_s,
                    error_p95_ms: length.error_p95_ms,
                    u95_median_ms: length.u95_ms,
                })
            })
            .collect(),
    }
}
