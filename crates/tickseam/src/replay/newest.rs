//! What the newest packets of an app's batches tell.
//!
//! An app that hands packets over in batches stamps all of a batch when it does. The newest of each waited for the radio, and then for the app, each
//! time for another while: where both waits run through all that they may be, their sum comes close to nothing once in a while.

use super::stage::Stage;
use super::touch::slowest_and_fastest;
use super::{Ends, Report, TOP_STAGES, both_ways, both_ways_within, rates, set_bounds, weigh};
use crate::block::{Arrival, Bound, DELIVERY_US, Gathered, part_of_step, unmet_us};
use crate::filter::{CURVATURES, Prior};
use crate::lattice;
use crate::number::{count, greater, lesser};
use crate::setup::Setup;

/// Blocks of batches with the least waits around that tell how far above the clock the least of all lies, and that height as a share of how far apart the
/// first and the last of them lie. Of many sums of two even spreads, of a packet's wait for the radio and then for the app, the n-th least lies
/// Γ(n + ½)/Γ(n) above nothing, in a common unit, since their density grows in proportion to the height: Γ(3/2) ÷ (Γ(17/2)/Γ(8) − Γ(3/2)).
const NEWEST: usize = 8;
const BELOW_NEWEST: f64 = 0.466_834;
/// Rounds, each with a better idea of the rate.
const ROUNDS: usize = 3;
/// Shortest stretch of batches whose least wait is taken to touch the clock, s, and the factor from one length to the next that is tried.
const STRETCH_S: f64 = 20.0;
const STRETCH_FACTOR: f64 = 1.4;
/// Batches that a stretch needs (own choice).
const BATCHES_NEEDED: u32 = 12;
/// The least sum of the two waits in n batches lies above this multiple of √(P C / n) in one stretch of 8,000, where no packet is late; in one of 220, where four in ten
/// are: exp(−n δ² (1 − late) / 2 P C) for waits spread evenly over the packets' period P and the interval C.
const LEAST_REACH: f64 = 4.25;
/// Sixteenths in which batches are told apart: what lies between two that keep to regular steps shows where it is more than one of them.
const SIXTEENTH: f64 = 1.0 / 16.0;
/// On a grid longer than the packets' period, the newest packets lie as evenly over one interval from the least on as batches do; more near the least
/// than that by so many standard deviations, and it is none (own choice).
const MORE_REACH: f64 = 4.0;
/// Batches of a stretch that are looked at for whether they keep step with the radio, and how far its crystal may be off the host's, ppm (own choices).
const IN_STEP_BATCHES: usize = 1_024;
const RADIO_PPM: f64 = 100.0;
const RATES: usize = 9;
/// How far the rate here may be off that over a long part of the recording, ppm.
const NEAR_PPM: f64 = 2.0;

/// Batches around a block whose least waits are taken for the soonest there, and blocks on either side at the most (own choices).
const SOONEST_OF: u32 = 24;
const SOONEST_BLOCKS: usize = 8;

/// Takes the soonest of so many batches around that the packet after one of their newest hardly waited longer than an interval.
#[inline(never)]
pub(super) fn soonest_of_many(stages: &mut [Stage]) {
    for i in 0..stages.len() {
        let Some(block) = stages.get(i).and_then(Stage::block) else { continue };
        let (own, rate_ppm) = (block.stamped, block.rate_ppm);
        let (mut soonest_us, mut batches) = (own.residual_us, u32::from(block.deliveries));
        let mut before = stages.get(..i).unwrap_or_default().iter().rev().filter_map(Stage::block);
        let mut after = stages.get(i.saturating_add(1)..).unwrap_or_default().iter().filter_map(Stage::block);
        for _ in 0..SOONEST_BLOCKS {
            if batches >= SOONEST_OF {
                break;
            }
            for block in before.next().into_iter().chain(after.next()) {
                let here_us = block.stamped.residual_us + rate_ppm * (own.at_s - block.stamped.at_s);
                soonest_us = lesser(here_us, soonest_us);
                batches = batches.saturating_add(u32::from(block.deliveries));
            }
        }
        if let Some(stage) = stages.get_mut(i) {
            let had_us = stage.soonest.residual_us + rate_ppm * (own.at_s - stage.soonest.at_s);
            stage.soonest = Bound { residual_us: lesser(soonest_us, had_us), ..own };
        }
    }
}

/// Narrows the knots by the least waits of the newest packets, as long as these agree with all else.
#[inline(never)]
pub(super) fn narrow(
    stages: &mut [Stage],
    arrivals: &[Arrival],
    (setup, prior): (&Setup, &Prior),
    ends: Ends,
    report: &mut Report,
) {
    if report.congested || !report.agrees(stages.len()) {
        return;
    }
    for _ in 0..ROUNDS {
        touch(stages, arrivals, setup, prior);
        set_bounds(stages, setup, report);
        weigh(stages, prior, ends, report);
        if !report.agrees(stages.len()) {
            stages.iter_mut().for_each(|stage| stage.newest = None);
            set_bounds(stages, setup, report);
            weigh(stages, prior, ends, report);
        }
        both_ways(stages, prior, ends);
    }
}

/// Host times at which batches came, µs.
type Stamps = heapless::Vec<f64, IN_STEP_BATCHES>;

/// A stretch under way.
#[derive(Clone)]
struct Stretch<'a> {
    /// Its batches, and those after it.
    all: Gathered<'a>,
    end_s: f64,
    batches: u32,
    /// Sixteenths of the packets' period that batches met.
    met: u16,
    /// The least of all, its height above the line, and the stage that it belongs to.
    least: Option<(f64, Bound, usize)>,
}

impl<'a> Stretch<'a> {
    fn new(all: Gathered<'a>, end_s: f64) -> Self {
        Self { all, end_s, batches: 0, met: 0, least: None }
    }
}

/// How stretches are looked at.
#[derive(Clone, Copy)]
struct Frame {
    from_s: f64,
    stretch_s: f64,
    /// The rate that residuals are taken against, and how far it may be off, ppm.
    rate_ppm: f64,
    rate_u_ppm: f64,
    period_us: f64,
}

impl Frame {
    /// Height above the frame's line, µs.
    fn above_us(&self, arrival: &Arrival) -> f64 {
        arrival.residual_us - self.rate_ppm * (arrival.device_s - self.from_s)
    }

    /// How far the least of so many batches may lie above the clock, µs, where the radio's interval leaves no phase out.
    fn open_us(&self, stretch_s: f64, interval_us: f64, batches: f64) -> f64 {
        let by_chance_us = LEAST_REACH * libm::sqrt(self.period_us * interval_us / greater(batches, 1.0));
        greater(by_chance_us, SIXTEENTH * (self.period_us + interval_us)) + self.rate_u_ppm * stretch_s
    }
}

/// Finds the newest packet that waited least in each stretch, and bounds the clock by it from below.
#[inline(never)]
fn touch(stages: &mut [Stage], arrivals: &[Arrival], setup: &Setup, prior: &Prior) {
    stages.iter_mut().for_each(|stage| stage.newest = None);
    let (Some(first), Some(last)) = (stages.first(), stages.last()) else { return };
    let span_s = greater(last.bounds.at_s - first.bounds.at_s, STRETCH_S);
    let (least_ppm, greatest_ppm) = rates(prior);
    let known = slowest_and_fastest(stages, stages.len() / 4);
    let (low_ppm, high_ppm) = known.map_or((least_ppm, greatest_ppm), |(low, high)| {
        (greater(low - NEAR_PPM, least_ppm), lesser(high + NEAR_PPM, greatest_ppm))
    });
    let mut frame = Frame {
        from_s: first.bounds.at_s,
        stretch_s: STRETCH_S,
        rate_ppm: f64::midpoint(low_ppm, high_ppm),
        rate_u_ppm: (high_ppm - low_ppm) / 2.0,
        period_us: setup.period_s * 1e6,
    };
    let batches = count(Gathered::new(arrivals).filter(|batch| batch.packets > 1).count());
    let longest_us = setup.interval_us.unwrap_or(lattice::LONGEST_US);
    let (mut least_us, mut tried_s) = (f64::INFINITY, STRETCH_S);
    while tried_s <= span_s {
        let us = frame.open_us(tried_s, longest_us, batches * tried_s / span_s);
        if us < least_us {
            (frame.stretch_s, least_us) = (tried_s, us);
        }
        tried_s *= STRETCH_FACTOR;
    }
    let mut all = Gathered::new(arrivals);
    let mut under_way = Stretch::new(all.clone(), frame.from_s + frame.stretch_s);
    let mut at = 0_usize;
    loop {
        let here = all.clone();
        let Some(batch) = all.next() else { return borne_out(stages, frame.rate_ppm) };
        let newest = batch.newest;
        while stages.get(at).is_some_and(|s| s.block.is_none() || s.bounds.at_s < newest.device_s) {
            at = at.saturating_add(1);
        }
        if newest.device_s > under_way.end_s {
            let next = Stretch::new(here, newest.device_s + frame.stretch_s);
            end(stages, core::mem::replace(&mut under_way, next), &frame, setup);
        }
        if stages.get(at).is_none_or(|stage| stage.congested || stage.another_phase) {
            continue;
        }
        let above_us = frame.above_us(&newest);
        if batch.packets > 1 {
            under_way.batches = under_way.batches.saturating_add(1);
            under_way.met |= part_of_step(above_us / frame.period_us);
        }
        if under_way.least.is_none_or(|(had_us, ..)| above_us < had_us) {
            let low_us = newest.residual_us - batch.took_us + setup.resolution_us;
            under_way.least = Some((above_us, Bound { at_s: newest.device_s, residual_us: low_us }, at));
        }
    }
}

/// Bounds the clock below the least of a stretch by what its packets may all have waited, if it has batches enough.
#[inline(never)]
fn end(stages: &mut [Stage], stretch: Stretch<'_>, frame: &Frame, setup: &Setup) {
    let Some((least_us, least, at)) = stretch.least.filter(|_| stretch.batches >= BATCHES_NEEDED) else {
        return;
    };
    let period_us = frame.period_us;
    // When the first of them came, and how many lie within a period of the least, and two.
    let mut stamps_us: Stamps = Stamps::new();
    let (mut n, mut within) = (0.0, [0.0; 2]);
    for batch in stretch.all.take_while(|batch| batch.newest.device_s <= stretch.end_s) {
        let _ = stamps_us.push(batch.newest.host_us());
        let above_us = frame.above_us(&batch.newest) - least_us;
        n += 1.0;
        for (within, periods) in within.iter_mut().zip([1.0, 2.0]) {
            *within += if above_us < periods * period_us { 1.0 } else { 0.0 };
        }
    }
    let waited_us = lattice::longest_wait_us(setup.interval_us, lattice::LONGEST_US, &|interval_us| {
        let open_us = frame.open_us(frame.stretch_s, interval_us, f64::from(stretch.batches));
        let too_many = within.iter().zip([1.0, 2.0]).any(|(within, periods)| {
            let most = n * lesser((periods * period_us + 2.0 * open_us) / interval_us, 1.0);
            *within > most + MORE_REACH * libm::sqrt(most)
        });
        let in_step_us = in_step_us(&stamps_us, interval_us);
        if too_many && in_step_us == 0.0 && setup.interval_us.is_none() {
            return 0.0;
        }
        let others = greater(libm::ceil(interval_us / period_us) - 1.0, 0.0);
        let in_event_us = lesser(others * DELIVERY_US, interval_us);
        lattice::left_waiting_us(period_us, interval_us) + in_step_us + in_event_us + open_us
    });
    let left_out_us = left_out_us(stretch.met, period_us);
    if let Some(stage) = stages.get_mut(at) {
        stage.newest = Some(Bound { residual_us: least.residual_us - waited_us - left_out_us, ..least });
    }
}

/// What batches leave out of a period, µs, of which they met these sixteenths: nothing where they met all.
#[inline(never)]
fn left_out_us(met: u16, period_us: f64) -> f64 {
    let left_out_us = unmet_us(met, period_us);
    if left_out_us > SIXTEENTH * period_us { left_out_us } else { 0.0 }
}

/// How long packets may wait for batches that keep step with the radio's interval, µs: what these leave out of it in the time that shows least of that,
/// at whichever rate of the radio's crystal against the host's leaves out most.
fn in_step_us(stamps_us: &[f64], interval_us: f64) -> f64 {
    let at_one_rate_us = left_out_of_us(stamps_us, interval_us, 1);
    if at_one_rate_us > 0.0 {
        lesser(left_out_of_us(stamps_us, interval_us, RATES), at_one_rate_us)
    } else {
        0.0
    }
}

/// The same, each time so long that a sixteenth of the interval lies between the least of so many rates and the next.
#[inline(never)]
fn left_out_of_us(stamps_us: &[f64], interval_us: f64, rates: usize) -> f64 {
    let step_ppm = 2.0 * RADIO_PPM / count(rates);
    let longest_us = SIXTEENTH * interval_us / step_ppm * 1e6;
    let mut met = [0_u16; RATES];
    let (mut least_us, mut from_us) = (interval_us, None);
    // What is left out only shrinks while a time lasts, so that its end tells.
    let most_us = |met: &[u16; RATES]| {
        met.iter().take(rates).map(|&met| left_out_us(met, interval_us)).fold(0.0, greater)
    };
    for &host_us in stamps_us {
        let mut since_us = host_us - from_us.unwrap_or(host_us);
        if from_us.is_none() || since_us > longest_us {
            if from_us.is_some() {
                least_us = lesser(most_us(&met), least_us);
            }
            (met, from_us, since_us) = ([0; RATES], Some(host_us), 0.0);
        }
        let mut rate_ppm = step_ppm / 2.0 - RADIO_PPM;
        for met in met.iter_mut().take(rates) {
            *met |= part_of_step((host_us + rate_ppm * 1e-6 * since_us) / interval_us);
            rate_ppm += step_ppm;
        }
    }
    if from_us.is_some() { lesser(most_us(&met), least_us) } else { least_us }
}

/// Takes each bound no farther than the one before or after bears it out.
#[inline(never)]
fn borne_out(stages: &mut [Stage], rate_ppm: f64) {
    let mut bounds = stages.iter_mut().filter_map(|stage| stage.newest.as_mut());
    let (mut before, mut next, mut after) = (None::<Bound>, bounds.next(), bounds.next());
    while let Some(bound) = next {
        let own = *bound;
        let here_us = |b: Bound| b.residual_us + rate_ppm * (own.at_s - b.at_s);
        let neighbours = before.into_iter().chain(after.as_deref().copied());
        if let Some(borne_out_us) = neighbours.map(here_us).reduce(greater) {
            bound.residual_us = lesser(borne_out_us, own.residual_us);
        }
        (before, next, after) = (Some(own), after, bounds.next());
    }
}

/// Where an app hands packets over in batches, few of the newest waited for next to nothing, and the least of them around lie above the clock by as much as
/// their order tells, under the gentlest limit on the wander: the others let each stretch have a top of its own, which lies the higher. The bounds stay.
pub(super) fn below_many(stages: &mut [Stage], prior: &Prior, ends: Ends) {
    for stage in stages.iter_mut() {
        stage.by_arrivals = stage.knot;
    }
    let [gentlest, ..] = CURVATURES;
    both_ways_within(stages, prior, ends, gentlest);
    for i in 0..stages.len() {
        let below_us = below_us(stages, i);
        let Some(stage) = stages.get_mut(i) else { return };
        stage.knot.offset_us = stage.knot.high_us - below_us;
    }
    for stage in stages.iter_mut() {
        let gentle = core::mem::replace(&mut stage.knot, stage.by_arrivals);
        if !gentle.contradicted && gentle.offset_us < stage.knot.offset_us {
            stage.knot.lie_at(gentle.offset_us, stage.knot.rate_ppm);
        }
    }
}

/// How far below the top of what is possible the clock is expected there, µs.
pub(super) fn below_us(stages: &[Stage], at: usize) -> f64 {
    let from = at.saturating_sub(TOP_STAGES);
    // The least heights above the top, in order.
    let mut least_us = [f64::INFINITY; NEWEST];
    for stage in stages.get(from..).unwrap_or_default().iter().take(2 * TOP_STAGES) {
        let (Some(_), Some(upper)) = (&stage.block, stage.upper) else { continue };
        let knot = &stage.knot;
        let way_us = knot.rate_ppm * (upper.at_s - knot.at_s);
        let mut height_us = upper.residual_us - knot.high_us - way_us;
        for slot in &mut least_us {
            if height_us < *slot {
                height_us = core::mem::replace(slot, height_us);
            }
        }
    }
    let ([least_us, ..], [.., last_us]) = (least_us, least_us);
    if last_us < f64::INFINITY { greater(BELOW_NEWEST * (last_us - least_us) - least_us, 0.0) } else { 0.0 }
}

#[cfg(test)]
mod tests;
