//! The runs: each schedule under each condition with each seed, simulated, aligned and held against the truth.

use rayon::prelude::*;
use tickseam_sim::{Simulated, simulate};

use super::plan::{Condition, Plan, Schedule};
use super::radio::Cost;
use crate::align::{Captured, align};
use crate::simulated;

/// What the runs of one schedule showed, all conditions and seeds together.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// The schedule.
    pub schedule: Schedule,
    /// Runs.
    pub runs: usize,
    /// Events placed or not, all runs.
    pub events: usize,
    /// Placement error, ms: what 50, 95 and 99 % of the events do not exceed. Infinite where that many were not placed.
    pub error_ms: [f64; 3],
    /// The largest 95th percentile that a single run had, ms.
    pub worst_run_ms: f64,
    /// Median half-width of the stated 95 % interval, ms.
    pub u95_ms: f64,
    /// Share of the events whose interval held the truth, 0 to 1.
    pub held_share: f64,
    /// When the live half-width had come down to the target for good, s after the session's start: the median run. None where at
    /// least half of the runs never got there.
    pub sure_after_s: Option<f64>,
    /// Share of the packets that found the headset's queue full, 0 to 1.
    pub overflow_share: f64,
    /// Share of the packets that never came, for whatever reason, 0 to 1.
    pub missing_share: f64,
    /// Share of the packets received that went with the first event after they were ready, 0 to 1.
    pub first_chance_share: f64,
    /// Median number of slips in a run.
    pub slips: f64,
    /// 99th percentile of the time from a packet's first sample to the app, ms.
    pub latency_p99_ms: f64,
    /// What the radio did and took, mean over the runs.
    pub cost: Cost,
}

/// What one alignment of one session showed.
#[derive(Clone, Debug, Default)]
struct Aligned {
    /// For each event; infinite where it was not placed.
    errors_ms: Vec<f64>,
    half_widths_ms: Vec<f64>,
    held: usize,
    /// Seconds from the session's start from which the live half-width stays within the target.
    sure_after_s: Option<f64>,
}

struct Run {
    aligned: Aligned,
    latencies_ms: Vec<f64>,
    made: u64,
    received: u64,
    overflows: u64,
    first_chance_share: f64,
    slips: f64,
    cost: Cost,
}

/// Runs all `schedules`, in their order, on all cores; `done` is told of every run that is over.
///
/// # Errors
/// A sentence naming the schedule and the cause; [`Plan::new`] lets none through that has one.
pub fn sweep(plan: &Plan, schedules: &[Schedule], done: &(dyn Fn() + Sync)) -> Result<Vec<Judged>, String> {
    schedules.par_iter().map(|schedule| judge(plan, schedule, done)).collect()
}

/// Every condition with every seed.
fn cases(plan: &Plan) -> Vec<(Condition, u64)> {
    let conditions = plan.conditions.iter();
    conditions
        .flat_map(|&condition| {
            (0..plan.seeds).map(move |seed| (condition, plan.first_seed.wrapping_add(seed)))
        })
        .collect()
}

fn judge(plan: &Plan, schedule: &Schedule, done: &(dyn Fn() + Sync)) -> Result<Judged, String> {
    let runs: Vec<Run> = cases(plan)
        .into_par_iter()
        .map(|(condition, seed)| {
            let run = run(plan, schedule, &condition, seed);
            done();
            run
        })
        .collect::<Result<_, String>>()
        .map_err(|cause| format!("{}: {cause}", plan.name(schedule)))?;
    let count = runs.len() as f64;
    let mean = |of: fn(&Run) -> f64| runs.iter().map(of).sum::<f64>() / count;
    let sum = |of: fn(&Run) -> u64| runs.iter().map(of).sum::<u64>() as f64;
    let all =
        |of: fn(&Run) -> &Vec<f64>| sorted(runs.iter().flat_map(|run| of(run).iter().copied()).collect());
    let errors_ms = all(|run| &run.aligned.errors_ms);
    let sure_s = sorted(runs.iter().map(|run| run.aligned.sure_after_s.unwrap_or(f64::INFINITY)).collect());
    let worst =
        sorted(runs.iter().map(|run| percentile(&sorted(run.aligned.errors_ms.clone()), 95)).collect());
    let held: usize = runs.iter().map(|run| run.aligned.held).sum();
    let made = sum(|run| run.made).max(1.0);
    Ok(Judged {
        schedule: *schedule,
        runs: runs.len(),
        events: errors_ms.len(),
        error_ms: [50, 95, 99].map(|percent| percentile(&errors_ms, percent)),
        worst_run_ms: worst.last().copied().unwrap_or(f64::INFINITY),
        u95_ms: percentile(&all(|run| &run.aligned.half_widths_ms), 50),
        held_share: held as f64 / errors_ms.len().max(1) as f64,
        sure_after_s: Some(percentile(&sure_s, 50)).filter(|s| s.is_finite()),
        overflow_share: sum(|run| run.overflows) / made,
        missing_share: 1.0 - sum(|run| run.received) / made,
        first_chance_share: mean(|run| run.first_chance_share),
        slips: percentile(&sorted(runs.iter().map(|run| run.slips).collect()), 50),
        latency_p99_ms: percentile(&all(|run| &run.latencies_ms), 99),
        cost: Cost {
            duty_cycle: mean(|run| run.cost.duty_cycle),
            mah_per_hour: mean(|run| run.cost.mah_per_hour),
        },
    })
}

fn run(plan: &Plan, schedule: &Schedule, condition: &Condition, seed: u64) -> Result<Run, String> {
    let scenario = plan.scenario(schedule, condition, plan.session_s);
    let session = simulate(&scenario, seed).map_err(|error| error.to_string())?;
    let origin_ns = scenario.host.origin_ns;
    let latencies_ms = session
        .packets
        .iter()
        .zip(&session.truth.first_sample_s)
        .filter(|(packet, _)| packet.stream == 0)
        .map(|(packet, first_s)| (packet.host_ns - origin_ns) as f64 * 1e-6 - first_s * 1e3)
        .collect();
    let done = &session.statistics;
    Ok(Run {
        aligned: aligned(&session, origin_ns, plan.target_ms)?,
        latencies_ms,
        made: done.made.iter().sum(),
        received: done.received - done.app_losses.min(done.received) + done.unsent,
        overflows: done.queue_drops,
        first_chance_share: done.first_opportunity_share,
        slips: done.slips,
        cost: plan.radio.cost(&scenario, done),
    })
}

/// Aligns a session in memory as `tickseam replay` does a recording, and compares.
fn aligned(session: &Simulated, origin_ns: i64, target_ms: f64) -> Result<Aligned, String> {
    let mut recording = simulated::recording(session)?;
    recording.truth = None;
    let found = align(&Captured::of(&recording)).map_err(|error| error.to_string())?;
    let mut aligned = Aligned::default();
    for (row, truth) in found.events.rows.iter().zip(&session.truth.events) {
        // An event while the device was off has no place to be compared with.
        let Some(true_s) = truth.onset_s else { continue };
        let placed = row.onset_s.filter(|_| row.segment == Some(truth.segment));
        let error_ms = placed.map_or(f64::INFINITY, |onset_s| (onset_s - true_s).abs() * 1e3);
        let u95_ms = row.u95_ms.unwrap_or(f64::INFINITY);
        aligned.held += usize::from(placed.is_some() && error_ms <= u95_ms);
        aligned.errors_ms.push(error_ms);
        aligned.half_widths_ms.push(u95_ms);
        if row.live_u95_ms.is_none_or(|u95_ms| u95_ms > target_ms) {
            aligned.sure_after_s = None;
        } else if aligned.sure_after_s.is_none() {
            aligned.sure_after_s = Some((row.host_ns - origin_ns) as f64 * 1e-9);
        }
    }
    Ok(aligned)
}

/// Error against the length of the session, all conditions and seeds: each length with its 95th percentile and the median stated
/// half-width, ms. A shorter session is the beginning of the longest.
///
/// # Errors
/// As [`sweep`].
pub fn against_length(
    plan: &Plan,
    schedule: &Schedule,
    lengths_s: &[f64],
    done: &(dyn Fn() + Sync),
) -> Result<Vec<Length>, String> {
    let mut lengths_s = lengths_s.to_vec();
    lengths_s.sort_by(f64::total_cmp);
    let Some(&longest_s) = lengths_s.last() else { return Ok(Vec::new()) };
    let of_runs: Vec<Vec<Aligned>> = cases(plan)
        .into_par_iter()
        .map(|(condition, seed)| {
            let scenario = plan.scenario(schedule, &condition, longest_s);
            let mut session = simulate(&scenario, seed).map_err(|error| error.to_string())?;
            let origin_ns = scenario.host.origin_ns;
            let mut found = Vec::with_capacity(lengths_s.len());
            for length_s in lengths_s.iter().rev() {
                let end_ns = origin_ns.saturating_add((length_s * 1e9) as i64);
                session.packets.retain(|packet| packet.host_ns < end_ns);
                session.events.retain(|event| event.host_ns < end_ns);
                session.truth.events.retain(|event| event.host_ns < end_ns);
                session.exchanges.retain(|exchange| exchange.destination_ns < end_ns);
                session.markers.retain(|marker| marker.host_ns < end_ns);
                found.push(aligned(&session, origin_ns, plan.target_ms)?);
            }
            done();
            Ok(found)
        })
        .collect::<Result<_, String>>()
        .map_err(|cause| format!("{}: {cause}", plan.name(schedule)))?;
    let lengths = lengths_s.iter().rev().enumerate().map(|(place, &session_s)| {
        let all = |of: fn(&Aligned) -> &Vec<f64>| {
            sorted(of_runs.iter().flat_map(|run| of(&run[place]).iter().copied()).collect())
        };
        Length {
            session_s,
            error_p95_ms: percentile(&all(|run| &run.errors_ms), 95),
            u95_ms: percentile(&all(|run| &run.half_widths_ms), 50),
        }
    });
    let mut lengths: Vec<Length> = lengths.collect();
    lengths.reverse();
    Ok(lengths)
}

/// What a session of one length would have shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Length {
    /// Its length, s.
    pub session_s: f64,
    /// 95th percentile of the placement error, ms.
    pub error_p95_ms: f64,
    /// Median stated half-width, ms.
    pub u95_ms: f64,
}

/// The saw-tooth of one session: the shortest wait beyond the fixed delay in each window, and what the closed form says.
#[derive(Clone, Debug, PartialEq)]
pub struct SawTooth {
    /// The schedule.
    pub schedule: Schedule,
    /// The headset's clock against the radio's, ppm.
    pub drift_ppm: f64,
    /// g, ms.
    pub divisor_ms: f64,
    /// Whether packets may share an event: those sent second are later by a place, which the closed form does not know.
    pub shared_events: bool,
    /// Middle of a window, s, and the shortest wait simulated in it, ms.
    pub simulated: Vec<(f64, f64)>,
    /// Wait at the session's start by the closed form, ms, fitted to the windows.
    pub first_ms: f64,
}

/// Simulates the saw-tooth of a schedule with the usual drift: first condition, first seed, crystal at rest.
///
/// # Errors
/// As [`sweep`].
pub fn saw_tooth(plan: &Plan, schedule: &Schedule) -> Result<SawTooth, String> {
    let drift_ppm = plan.usual_drift_ppm();
    let condition = Condition { drift_ppm: drift_ppm + plan.base.link.radio_ppm, ..plan.conditions[0] };
    let mut scenario = plan.scenario(schedule, &condition, plan.session_s);
    scenario.device.warm_up_ppm = 0.0;
    scenario.device.random_walk_per_sqrt_s = 0.0;
    let session = simulate(&scenario, plan.first_seed).map_err(|error| error.to_string())?;
    let beat = plan.beat(schedule);
    // Once through all phases and a half, so that the shortest is among them.
    let through_s = 1.5 * f64::from(beat.phases) * scenario.streams[0].packet_period_ms() * 1e-3;
    let window_s = through_s.max(plan.session_s / 240.0);
    let mut simulated: Vec<(f64, f64)> = Vec::new();
    let stream = &scenario.streams[0];
    for (packet, &first_s) in session.packets.iter().zip(&session.truth.first_sample_s) {
        if packet.stream != 0 {
            continue;
        }
        let longer_ms =
            (f64::from(packet.samples) - f64::from(stream.samples_per_packet)) / stream.rate_hz * 1e3;
        let stamp_ms = (packet.host_ns - scenario.host.origin_ns) as f64 * 1e-6;
        let wait_ms = stamp_ms - first_s * 1e3 - session.truth.fixed_delay_ms[0] - longer_ms;
        let middle_s = ((first_s / window_s).floor() + 0.5) * window_s;
        match simulated.last_mut() {
            Some(last) if last.0 == middle_s => last.1 = last.1.min(wait_ms),
            _ => simulated.push((middle_s, wait_ms)),
        }
    }
    // Delays only add to the line: of all lines through a window, the one that the others lie least above.
    let starts: Vec<f64> =
        simulated.iter().map(|&(at_s, wait_ms)| beat.shortest_wait_ms(wait_ms, -drift_ppm, at_s)).collect();
    let above =
        |first: &f64| starts.iter().map(|start| beat.shortest_wait_ms(start - first, 0.0, 0.0)).sum::<f64>();
    let first_ms = starts.iter().copied().min_by(|a, b| above(a).total_cmp(&above(b))).unwrap_or(0.0);
    Ok(SawTooth {
        schedule: *schedule,
        drift_ppm,
        divisor_ms: beat.divisor_ms,
        shared_events: plan.shares_events(schedule),
        simulated,
        first_ms,
    })
}

fn sorted(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values
}

/// The smallest value that so many percent of sorted values do not exceed; infinite where there are none.
fn percentile(sorted: &[f64], percent: usize) -> f64 {
    let rank = (sorted.len() * percent).div_ceil(100);
    sorted.get(rank.saturating_sub(1)).copied().unwrap_or(f64::INFINITY)
}
