//! Leaves out the packets of a backlog, for an estimate of the whole recording at once.
//!
//! A queue that filled in a fade, or while the link lost much, drains at the rate at which the link carries more than is sent: within a
//! second, or for minutes. Its packets left as instants of the link came, not as they were ready, so that nothing in them bounds the
//! clock from below, and above they say less than those before and after. What is known before and after it holds over the time between.

use crate::block::Arrival;
use crate::number::{greater, lesser};
use crate::rise::least_us;
use crate::setup::Setup;
use crate::watch::Watch;

/// Shorter ones do not matter, s and packets: no block of arrivals has nothing else in it.
const SHORTEST_S: f64 = 1.0;
const FEWEST: usize = 8;
/// By so much a stamp may go back, µs: the coarsest usual step of stamps.
const BACK_US: f64 = 1_000.0;
/// The end of a drain is too near the levels to be late: so long after a packet that is not, s, the least residual is met again, to within
/// as much, µs, at the first packet that is looked for.
const TAIL_S: f64 = 5.0;
const NEAR_US: f64 = 2_000.0;
/// The last packets of a queue that drained are no later than so many waits for the link: several go in one connection event.
const DRAINED: f64 = 4.0;
/// A fall of this rate is no crystal's, ppm, nor one of so many times the tolerance of the device's rate.
const NO_CRYSTAL_PPM: f64 = 1_000.0;
const TOLERANCES: f64 = 2.0;

/// Leaves them out, and returns how many arrivals are left, at the slice's beginning. In the order of reception; each may have waited for
/// the link for up to a packet's period though it left at its first chance. A clock that was set forward is no backlog: its packets stay as late, or
/// its stamps go back when it is set back. Cost: two passes.
pub fn without_backlogs(arrivals: &mut [Arrival], setup: &Setup) -> usize {
    let wait_s = setup.period_s;
    let waits = (wait_s, greater(NO_CRYSTAL_PPM, TOLERANCES * setup.prior.rate_half_width_ppm));
    // Those that drain for long, however level they seem meanwhile; then those that end at once, where a full queue loses packets, and those
    // that came after the clock had been set.
    let kept = without(arrivals, Watch::patient(), waits, DRAINED * wait_s * 1e6);
    without(arrivals.get_mut(..kept).unwrap_or_default(), Watch::new(), waits, f64::INFINITY)
}

/// Leaves out those that drain until packets are no later than `end_us`, µs, or, where that is infinite, any that end.
fn without(
    arrivals: &mut [Arrival],
    mut watch: Watch,
    (wait_s, no_crystal_ppm): (f64, f64),
    end_us: f64,
) -> usize {
    let (mut kept, mut at) = (0_usize, 0_usize);
    let mut begun: Option<(usize, f64)> = None;
    while let Some(&arrival) = arrivals.get(at) {
        let late_us = watch.late_us(&arrival, wait_s);
        // The clock was set back, and what came late until then was stamped by another one.
        let before = kept.checked_sub(1).and_then(|last| arrivals.get(last));
        let set_back = before.is_some_and(|before| arrival.host_us() < before.host_us() - BACK_US);
        let turned = watch.observe(&arrival, wait_s).is_some();
        if turned || set_back {
            begun = None;
        }
        if let Some(late_us) = late_us.filter(|_| !turned) {
            begun = Some((begun.map_or(kept, |(from, _)| from), late_us));
        } else if let Some((from, last_us)) = begun.take()
            && let late = arrivals.get(from..kept).unwrap_or_default()
            && late.len() >= FEWEST
            && lasts_s(late) > SHORTEST_S
            && (end_us == f64::INFINITY || last_us < end_us && drains(late, wait_s, no_crystal_ppm))
        {
            kept = from;
            let floor_us = watch.floor_us(&arrival, wait_s);
            at = at.saturating_add(drained(arrivals.get(at..).unwrap_or_default(), floor_us));
        }
        let next = arrivals.get(at).copied().unwrap_or(arrival);
        if let Some(slot) = arrivals.get_mut(kept) {
            *slot = next;
        }
        kept = kept.saturating_add(1);
        at = at.saturating_add(1);
    }
    match begun.and_then(|(from, _)| arrivals.get(from..kept)) {
        Some(late) if drains(late, wait_s, no_crystal_ppm) => kept.saturating_sub(late.len()),
        _ => kept,
    }
}

fn lasts_s(arrivals: &[Arrival]) -> f64 {
    arrivals.first().zip(arrivals.last()).map_or(0.0, |(first, last)| last.device_s - first.device_s)
}

/// Packets until the drain has ended, at the first that is hardly late any more. Below `floor_us`, µs, stamps are of a clock that was set back.
fn drained(arrivals: &[Arrival], floor_us: f64) -> usize {
    let until_s = arrivals.first().map_or(0.0, |first| first.device_s) + TAIL_S;
    let before = |a: &&Arrival| a.device_s < until_s && a.residual_us > floor_us;
    let least_us = least(arrivals.iter().take_while(before));
    arrivals.iter().position(|a| a.residual_us < least_us + NEAR_US).unwrap_or(0)
}

/// Whether late packets come the less late the later they come, faster than a clock that was set drifts back; the first third may be of a queue
/// that still fills. Of the last third, a quarter has to tell: the packets that waited while the host slept are few.
#[inline(never)]
fn drains(late: &[Arrival], wait_s: f64, no_crystal_ppm: f64) -> bool {
    let third = late.len() / 3;
    let (_, rest) = late.split_at_checked(third).unwrap_or_default();
    let (before, after) = rest.split_at_checked(third).unwrap_or_default();
    let fallen_us = least(before.iter()) - least_us(wait_s) - no_crystal_ppm * lasts_s(after);
    let fallen = after.iter().filter(|a| a.residual_us < fallen_us).count();
    late.len() >= FEWEST && fallen > after.len() / 4
}

fn least<'a>(arrivals: impl Iterator<Item = &'a Arrival>) -> f64 {
    arrivals.map(|a| a.residual_us).fold(f64::INFINITY, lesser)
}

#[cfg(test)]
mod tests;
