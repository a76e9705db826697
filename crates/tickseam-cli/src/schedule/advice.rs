//! Which schedule to take, what is wrong with the others, and what would mend them: every mend is simulated.

use std::cmp::Ordering;

use tickseam_sim::scenario::TickStamp;

use super::plan::{LONGEST_MS, Plan, SHORTEST_MS, STEP_MS, Schedule, stamp_words};
use super::sweep::{Judged, Length, SawTooth, against_length, saw_tooth, sweep};
use crate::summary::{duration, milliseconds};

/// A queue that loses more than this share of the packets overflows.
const OVERFLOW_SHARE: f64 = 1e-3;
/// Below this share of packets that go at their first chance, the link does not carry them (the class `congested` of the simulator).
const CONGESTED_SHARE: f64 = 0.1;
/// Schedules within this factor of the best error, or this share of the target, are as good: then the charge decides.
const AS_GOOD: f64 = 1.2;
const AS_GOOD_OF_TARGET: f64 = 0.05;
/// Most bad schedules for which mends are simulated, the worst first.
const MOST_MENDED: usize = 24;
/// Exchanges that are tried, s.
const EXCHANGES_S: [f64; 3] = [30.0, 5.0, 1.0];

/// What makes a schedule bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// It is not bad: the error stays within the target.
    None,
    /// The link does not carry the packets: the queue overflows, or hardly a packet goes at its first chance.
    Congested,
    /// Packets and events beat, and the session ends before most of its slips: the clock is not seen.
    Locked,
    /// Slips are seen, but too few.
    FewSlips,
    /// Packets carry the counter of another moment than their first sample's.
    TickStamp,
    /// Several packets to an event: the one with the shortest wait may be sent second.
    SeveralPerEvent,
    /// None of these.
    Other,
}

impl Cause {
    /// Its name in the JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Congested => "congested",
            Self::Locked => "locked",
            Self::FewSlips => "few-slips",
            Self::TickStamp => "tick-stamp",
            Self::SeveralPerEvent => "several-per-event",
            Self::Other => "other",
        }
    }
}

/// A single change of a schedule, simulated.
#[derive(Clone, Debug, PartialEq)]
pub struct Mend {
    /// The change, in words: `11 samples`.
    pub change: String,
    /// What came of it.
    pub judged: Judged,
    /// Whether the error is within the target then, and nothing overflows.
    pub mends: bool,
}

/// A schedule in the ranking.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// What its runs showed.
    pub judged: Judged,
    /// What makes it bad.
    pub cause: Cause,
    /// What was tried to mend it; empty for a good one, and beyond two dozen bad ones.
    pub mends: Vec<Mend>,
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// All schedules, the best first.
    pub ranked: Vec<Verdict>,
    /// The one to take: place in `ranked`.
    pub chosen: usize,
    /// Places in `ranked` of those that are bad: the device's own first, then the worst, the one to take left out.
    pub bad: Vec<usize>,
    /// Error against the length of the session, of the chosen schedule and some bad ones.
    pub lengths: Vec<(Schedule, Vec<Length>)>,
    /// Saw-teeth: of the chosen schedule and of the worst beat.
    pub saw_teeth: Vec<SawTooth>,
}

/// Told of the work as it goes on.
pub trait Watch: Sync {
    /// So many more runs are to be done.
    fn expect(&self, runs: usize);
    /// One run is over.
    fn done(&self);
}

/// Runs the whole plan and draws the conclusions.
///
/// # Errors
/// A sentence with the schedule and the cause.
pub fn advise(plan: &Plan, watch: &dyn Watch) -> Result<Advice, String> {
    let runs = plan.conditions.len() * plan.seeds as usize;
    let done = || watch.done();
    watch.expect(plan.schedules.len() * runs);
    let judged = rank(sweep(plan, &plan.schedules, &done)?);
    let chosen = choose(plan, &judged);
    let causes: Vec<Cause> = judged.iter().map(|one| cause(plan, one)).collect();

    let bad = bad(plan, &judged, &causes);
    let mended = &bad[..bad.len().min(MOST_MENDED)];
    let changes: Vec<Vec<(String, Schedule)>> =
        mended.iter().map(|&place| changes(plan, &judged[place].schedule)).collect();
    let mut known = judged.clone();
    let mut missing: Vec<Schedule> = Vec::new();
    for (_, schedule) in changes.iter().flatten() {
        if !missing.contains(schedule) && known.iter().all(|one| one.schedule != *schedule) {
            missing.push(*schedule);
        }
    }
    watch.expect(missing.len() * runs);
    known.extend(sweep(plan, &missing, &done)?);

    let mut ranked: Vec<Verdict> = judged
        .into_iter()
        .zip(causes)
        .map(|(judged, cause)| Verdict { judged, cause, mends: Vec::new() })
        .collect();
    for (&place, changes) in mended.iter().zip(changes) {
        ranked[place].mends = changes
            .into_iter()
            .filter_map(|(change, schedule)| {
                let judged = known.iter().find(|one| one.schedule == schedule)?.clone();
                let mends = judged.error_ms[1] <= plan.target_ms && !overflows(&judged);
                Some(Mend { change, judged, mends })
            })
            .collect();
    }

    let shown = shown(&ranked, chosen);
    let lengths_s: Vec<f64> = [0.1, 0.2, 0.5, 1.0, 2.0, 6.0]
        .map(|times| times * plan.session_s)
        .into_iter()
        .filter(|length_s| (20.0..=86_400.0).contains(length_s))
        .collect();
    watch.expect(shown.len() * runs);
    let lengths = shown
        .iter()
        .map(|&place| {
            let schedule = ranked[place].judged.schedule;
            Ok((schedule, against_length(plan, &schedule, &lengths_s, &done)?))
        })
        .collect::<Result<_, String>>()?;
    let worst = ranked
        .iter()
        .filter(|verdict| matches!(verdict.cause, Cause::Locked | Cause::FewSlips))
        .max_by(|a, b| {
            let alone = |verdict: &Verdict| !plan.shares_events(&verdict.judged.schedule);
            alone(a).cmp(&alone(b)).then(divisor_ms(plan, a).total_cmp(&divisor_ms(plan, b)))
        });
    let mut of_teeth = vec![ranked[chosen].judged.schedule];
    of_teeth.extend(worst.map(|verdict| verdict.judged.schedule).filter(|schedule| *schedule != of_teeth[0]));
    let saw_teeth =
        of_teeth.iter().map(|schedule| saw_tooth(plan, schedule)).collect::<Result<_, String>>()?;
    let bad = bad.into_iter().filter(|&place| place != chosen).collect();
    Ok(Advice { ranked, chosen, bad, lengths, saw_teeth })
}

/// Places of the bad ones: the device's own first, then the worst.
fn bad(plan: &Plan, judged: &[Judged], causes: &[Cause]) -> Vec<usize> {
    let mut bad: Vec<usize> = (0..judged.len()).rev().filter(|&place| causes[place] != Cause::None).collect();
    bad.sort_by_key(|&place| Some(judged[place].schedule) != plan.own);
    bad
}

fn divisor_ms(plan: &Plan, verdict: &Verdict) -> f64 {
    plan.beat(&verdict.judged.schedule).divisor_ms
}

/// The best first: those that overflow last, then by the error's 95th percentile, the half-width, the charge.
fn rank(mut judged: Vec<Judged>) -> Vec<Judged> {
    judged.sort_by(|a, b| {
        overflows(a)
            .cmp(&overflows(b))
            .then(a.error_ms[1].total_cmp(&b.error_ms[1]))
            .then(a.u95_ms.total_cmp(&b.u95_ms))
            .then(a.cost.mah_per_hour.total_cmp(&b.cost.mah_per_hour))
    });
    judged
}

fn overflows(judged: &Judged) -> bool {
    judged.overflow_share > OVERFLOW_SHARE
}

/// Of those as good as the best, the one that takes the least charge.
fn choose(plan: &Plan, ranked: &[Judged]) -> usize {
    let best = &ranked[0];
    let near = |of: f64, best: f64| of <= (best * AS_GOOD).max(best + AS_GOOD_OF_TARGET * plan.target_ms);
    let as_good = |one: &Judged| {
        overflows(one) == overflows(best)
            && near(one.error_ms[1], best.error_ms[1])
            && near(one.u95_ms, best.u95_ms)
    };
    let by_charge = |a: &(usize, &Judged), b: &(usize, &Judged)| -> Ordering {
        a.1.cost.mah_per_hour.total_cmp(&b.1.cost.mah_per_hour)
    };
    // Of two that are as good the one that the estimate was told of.
    let first_sample = |one: &Judged| one.schedule.tick_stamp == TickStamp::FirstSample;
    let by_stamp = |a: &(usize, &Judged), b: &(usize, &Judged)| first_sample(b.1).cmp(&first_sample(a.1));
    ranked
        .iter()
        .enumerate()
        .filter(|(_, one)| as_good(one))
        .min_by(|a, b| by_stamp(a, b).then(by_charge(a, b)))
        .map_or(0, |(place, _)| place)
}

fn cause(plan: &Plan, judged: &Judged) -> Cause {
    let schedule = &judged.schedule;
    if overflows(judged) || judged.first_chance_share < CONGESTED_SHARE {
        return Cause::Congested;
    }
    if judged.error_ms[1] <= plan.target_ms {
        return Cause::None;
    }
    if schedule.tick_stamp != TickStamp::FirstSample {
        return Cause::TickStamp;
    }
    let beat = plan.beat(schedule);
    // Without slips the error is half a beat at most: a small beat is not what makes a large error.
    let by_beat = beat.error_p95_before_slip_ms() > plan.target_ms / 2.0;
    if by_beat && judged.slips < 1.0 {
        Cause::Locked
    } else if plan.shares_events(schedule) {
        Cause::SeveralPerEvent
    } else if by_beat && judged.slips < 4.0 {
        Cause::FewSlips
    } else {
        Cause::Other
    }
}

/// Single changes worth a try, those that cannot be left out.
fn changes(plan: &Plan, schedule: &Schedule) -> Vec<(String, Schedule)> {
    let mut changes: Vec<(String, Schedule)> = Vec::new();
    let samples = schedule.samples_per_packet;
    for (samples_per_packet, words) in [(samples + 1, "one sample more"), (samples - 1, "one sample fewer")] {
        if samples_per_packet > schedule.dither_samples {
            let change = format!("{words} in a packet ({samples_per_packet})");
            changes.push((change, Schedule { samples_per_packet, ..*schedule }));
        }
    }
    if let Some(interval_ms) = other_interval_ms(plan, schedule) {
        changes.push((format!("an interval of {interval_ms} ms"), Schedule { interval_ms, ..*schedule }));
    }
    if schedule.dither_samples == 0 {
        let change = "packets of one sample more or fewer at random".to_owned();
        changes.push((change, Schedule { dither_samples: 1, ..*schedule }));
    }
    if schedule.tick_stamp != TickStamp::FirstSample {
        let change = "the counter read at the first sample".to_owned();
        changes.push((change, Schedule { tick_stamp: TickStamp::FirstSample, ..*schedule }));
    }
    for exchange_period_s in EXCHANGES_S {
        if schedule.exchange_period_s == 0.0 || exchange_period_s < schedule.exchange_period_s {
            let change = format!("an exchange every {exchange_period_s} s");
            changes.push((change, Schedule { exchange_period_s, ..*schedule }));
        }
    }
    changes.retain(|(_, schedule)| plan.fault(schedule).is_none());
    changes
}

/// The interval, of those that the phone grants, within a quarter of the present one whose beat is least; of equals the
/// nearest. None where no other beats by less. Which it is follows from the closed form; what it brings is simulated.
fn other_interval_ms(plan: &Plan, schedule: &Schedule) -> Option<f64> {
    let present_ms = schedule.interval_ms;
    let (least_ms, most_ms) = (0.75 * present_ms, 1.25 * present_ms);
    let intervals_ms: Vec<f64> = if plan.grants_ms.is_empty() {
        let steps = ((most_ms - SHORTEST_MS) / STEP_MS).max(0.0) as u32;
        (0..=steps).map(|step| SHORTEST_MS + f64::from(step) * STEP_MS).collect()
    } else {
        plan.grants_ms.clone()
    };
    let beat_ms = |interval_ms: f64| plan.beat(&Schedule { interval_ms, ..*schedule }).divisor_ms;
    intervals_ms
        .into_iter()
        .filter(|ms| plan.grants_ms.len() > 1 || (least_ms..=most_ms.min(LONGEST_MS)).contains(ms))
        .filter(|&ms| beat_ms(ms) < 0.9 * beat_ms(present_ms))
        .min_by(|&a, &b| {
            let apart = |ms: f64| (ms - present_ms).abs();
            beat_ms(a).total_cmp(&beat_ms(b)).then(apart(a).total_cmp(&apart(b)))
        })
}

/// Places of the schedules whose curves are drawn: the chosen one, the best of each kind of bad one, the worst.
fn shown(ranked: &[Verdict], chosen: usize) -> Vec<usize> {
    let mut shown = vec![chosen];
    for cause in [Cause::Locked, Cause::FewSlips, Cause::SeveralPerEvent, Cause::Congested] {
        let of_cause = ranked.iter().rposition(|verdict| verdict.cause == cause);
        shown.extend(of_cause.filter(|place| !shown.contains(place)));
    }
    let middle = ranked.len() / 2;
    if shown.len() < 4 && !shown.contains(&middle) {
        shown.push(middle);
    }
    shown
}

impl Advice {
    /// The schedule to take.
    pub fn take(&self) -> &Verdict {
        &self.ranked[self.chosen]
    }

    /// What to take and why, in a sentence or two.
    pub fn why(&self, plan: &Plan) -> String {
        let take = &self.take().judged;
        let beat = plan.beat(&take.schedule);
        let slip = slip_words(plan, &take.schedule);
        let name = plan.name(&take.schedule);
        let mut text = if take.error_ms[1].is_finite() {
            format!(
                "{name}. 95 % of the events are placed within {}; the stated 95 % interval is ±{} and held in {:.1} %.",
                milliseconds(take.error_ms[1]),
                milliseconds(take.u95_ms),
                100.0 * take.held_share
            )
        } else {
            format!(
                "None: the link never gets there. {name} comes first, but {NOT_PLACED}, so nothing bounds their error."
            )
        };
        text.push_str(&format!(
            " Packets and connection events beat by {} ms, {slip}.",
            short(beat.divisor_ms)
        ));
        let best = &self.ranked[0].judged;
        if self.chosen > 0 && best.cost.mah_per_hour > 1.005 * take.cost.mah_per_hour {
            text.push_str(&format!(
                " {} is as good ({}), but takes {:.3} instead of {:.3} mAh in an hour.",
                plan.name(&best.schedule),
                milliseconds(best.error_ms[1]),
                best.cost.mah_per_hour,
                take.cost.mah_per_hour
            ));
        }
        if self.take().cause != Cause::None {
            text.push_str(&format!(
                " But no schedule of this grid reaches {}. {}",
                milliseconds(plan.target_ms),
                self.take().in_words(plan)
            ));
        } else if take.u95_ms > plan.target_ms {
            text.push_str(&format!(
                " But nobody can know that it is so good: the interval stays wider than {}.",
                milliseconds(plan.target_ms)
            ));
        }
        if let Some(longer) = self.worse_when_longer(plan) {
            text.push_str(&format!(
                " Beware: in sessions of {} {}. Sweep with that session_s before it is built.",
                duration(longer.session_s),
                if longer.error_p95_ms.is_finite() {
                    format!("it errs by {}", milliseconds(longer.error_p95_ms))
                } else {
                    NOT_PLACED.to_owned()
                }
            ));
        }
        text
    }

    /// The worst length of a session, longer than the one that was ranked, at which the schedule to take misses the target that it
    /// meets there.
    pub fn worse_when_longer(&self, plan: &Plan) -> Option<Length> {
        let take = &self.take().judged;
        let (_, lengths) = self.lengths.iter().find(|(schedule, _)| *schedule == take.schedule)?;
        lengths
            .iter()
            .filter(|length| length.session_s > plan.session_s && length.error_p95_ms > plan.target_ms)
            .filter(|_| take.error_ms[1] <= plan.target_ms)
            .max_by(|a, b| a.error_p95_ms.total_cmp(&b.error_p95_ms))
            .copied()
    }
}

impl Verdict {
    /// What makes the schedule bad.
    pub fn why_bad(&self, plan: &Plan) -> String {
        let one = &self.judged;
        let beat = plan.beat(&one.schedule);
        let g = short(beat.divisor_ms);
        match self.cause {
            Cause::None => String::new(),
            Cause::Congested => format!(
                "The link does not carry it: {:.1} % of the packets find the queue full, and {:.0} % go at their first chance.",
                100.0 * one.overflow_share,
                100.0 * one.first_chance_share
            ),
            Cause::Locked | Cause::FewSlips => {
                let repeats_ms = beat.divisor_ms * f64::from(beat.phases) * packets_of(plan, &one.schedule);
                let seen = if self.cause == Cause::Locked {
                    format!("a session of {} mostly ends before", duration(plan.session_s))
                } else {
                    format!("a session of {} sees too few of them", duration(plan.session_s))
                };
                format!(
                    "Packets and events repeat together every {} ms, so waits come in steps of g = {g} ms and the shortest \
                     is a saw-tooth of that height: {}; {seen}. Until a slip, up to {g} ms of delay and the drift look alike.",
                    short(repeats_ms),
                    slip_words(plan, &one.schedule)
                )
            }
            Cause::SeveralPerEvent => format!(
                "Packets are shorter than the interval, so several share an event; which of them waited least is not \
                 seen, as it may be sent second. They beat by {g} ms."
            ),
            Cause::TickStamp => format!(
                "The counter is read {}, and the estimate takes it for the first sample's: what lies between varies the stamps, \
                 and exchanges and markers contradict the arrivals by it.",
                stamp_words(one.schedule.tick_stamp)
            ),
            Cause::Other => format!(
                "Neither the beat (g = {g} ms) nor the load explains it: losses, bursts or delays of the phone do."
            ),
        }
    }

    /// Which single changes mend it, and which were tried in vain.
    pub fn mend_words(&self, plan: &Plan) -> String {
        if self.mends.is_empty() {
            return "No single change was tried.".to_owned();
        }
        // Of the exchanges, the rarest that mends it; where none does, the most frequent.
        let exchanges = || self.mends.iter().filter(|mend| is_exchange(&self.judged.schedule, mend));
        let spoken = exchanges().find(|mend| mend.mends).or(exchanges().next_back());
        let list = |mends: bool| {
            let of: Vec<String> = self
                .mends
                .iter()
                .filter(|mend| mend.mends == mends)
                .filter(|mend| !is_exchange(&self.judged.schedule, mend) || Some(*mend) == spoken)
                .map(|mend| format!("{} ({})", mend.change, outcome(&mend.judged)))
                .collect();
            of.join(", ")
        };
        let (helps, in_vain) = (list(true), list(false));
        match (helps.is_empty(), in_vain.is_empty()) {
            (false, true) => format!("Each alone mends it: {helps}."),
            (false, false) => format!("Each alone mends it: {helps}. Not enough: {in_vain}."),
            (true, _) => {
                format!("None of these alone brings it within {}: {in_vain}.", milliseconds(plan.target_ms))
            }
        }
    }

    /// Both together.
    pub fn in_words(&self, plan: &Plan) -> String {
        format!("{} {}", self.why_bad(plan), self.mend_words(plan))
    }
}

fn is_exchange(schedule: &Schedule, mend: &Mend) -> bool {
    mend.judged.schedule.exchange_period_s != schedule.exchange_period_s
}

/// What a change brings, in two words.
fn outcome(judged: &Judged) -> String {
    if overflows(judged) { "the queue overflows".to_owned() } else { error_words(judged.error_ms[1]) }
}

/// Why nothing bounds the error of 95 % of the events.
const NOT_PLACED: &str = "more than 5 % of the events are not placed";

/// The error that 95 % of the events keep to, in words.
pub(super) fn error_words(p95_ms: f64) -> String {
    if p95_ms.is_finite() { milliseconds(p95_ms) } else { NOT_PLACED.to_owned() }
}

/// Number of packets until they and the events repeat together, as a factor of the interval: p of P = p g.
fn packets_of(plan: &Plan, schedule: &Schedule) -> f64 {
    let beat = plan.beat(schedule);
    let samples = if schedule.dither_samples > 0 { 1 } else { schedule.samples_per_packet };
    (f64::from(samples) / plan.base.streams[0].rate_hz * 1e3 / beat.divisor_ms).round()
}

/// How long a slip takes at the usual drift, in words.
pub(super) fn slip_words(plan: &Plan, schedule: &Schedule) -> String {
    let drift_ppm = plan.usual_drift_ppm();
    let period_s = plan.beat(schedule).slip_period_s(drift_ppm);
    if period_s.is_finite() {
        format!("slipping once in {} at {} ppm", duration(period_s), short(drift_ppm))
    } else {
        "and never slip without drift".to_owned()
    }
}

/// A number without trailing zeros, at most two decimals.
pub(super) fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::schedule::radio::Cost;

    #[test]
    fn a_schedule_that_is_worse_in_longer_sessions_is_taken_with_a_warning() {
        let plan = Plan::new("samples_per_packet = 8\ninterval_ms = 30", None).unwrap();
        let schedule = plan.schedules[0];
        let judged = Judged {
            schedule,
            runs: 1,
            events: 1,
            error_ms: [0.1, 0.2, 0.3],
            worst_run_ms: 0.2,
            u95_ms: 0.5,
            held_share: 1.0,
            sure_after_s: None,
            overflow_share: 0.0,
            missing_share: 0.0,
            first_chance_share: 1.0,
            slips: 5.0,
            latency_p99_ms: 50.0,
            cost: Cost::default(),
        };
        let length = |session_s, error_p95_ms| Length { session_s, error_p95_ms, u95_ms: 0.5 };
        let mut advice = Advice {
            ranked: vec![Verdict { judged, cause: Cause::None, mends: Vec::new() }],
            chosen: 0,
            bad: Vec::new(),
            lengths: vec![(schedule, vec![length(60.0, 3.0), length(300.0, 0.2), length(600.0, 0.9)])],
            saw_teeth: Vec::new(),
        };
        assert!(!advice.why(&plan).contains("Beware"));
        advice.lengths[0].1.extend([length(1800.0, 1.8), length(3600.0, 1.2)]);
        assert!(advice.why(&plan).contains("Beware: in sessions of 30 min 0 s it errs by 1.80 ms."));
        advice.lengths[0].1.push(length(7200.0, f64::INFINITY));
        let why = advice.why(&plan);
        assert!(
            why.contains("Beware: in sessions of 2 h 0 min 0 s more than 5 % of the events are not placed."),
            "{why}"
        );
    }
}
