//! Leaves out the packets of a backlog, for an estimate of the whole recording at once.
//!
//! A queue that filled in a fade, or while the link lost much, drains at the rate at which the link carries more than is sent: within a
//! second, or for minutes. Its packets left as instants of the link came, not as they were ready, so that nothing in them bounds the
//! clock from below, and above they say less than those before and after. What is known before and after it holds over the time between.

use crate::block::Arrival;
use crate::rise::least_us;
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

/// Leaves them out, and returns how many arrivals are left, at the slice's beginning. In the order of reception; each may have waited for
/// the link for up to `wait_s` though it left at its first chance. A clock that was set forward, and stayed so for some 16 s, is no backlog;
/// nor is one that was set back before that, where its stamps go back. Cost: one pass.
pub fn without_backlogs(arrivals: &mut [Arrival], wait_s: f64) -> usize {
    let mut watch = Watch::new();
    let (mut kept, mut at) = (0_usize, 0_usize);
    let mut begun: Option<usize> = None;
    while let Some(&arrival) = arrivals.get(at) {
        let late = watch.late_us(&arrival, wait_s).is_some();
        if watch.observe(&arrival, wait_s).is_some() {
            begun = None;
        } else if late {
            begun = begun.or(Some(kept));
        } else if let Some(from) = begun.take()
            && is_backlog(arrivals.get(from..kept).unwrap_or_default(), &arrival)
        {
            kept = from;
            at = at.saturating_add(drained(arrivals.get(at..).unwrap_or_default()));
        }
        let next = arrivals.get(at).copied().unwrap_or(arrival);
        if let Some(slot) = arrivals.get_mut(kept) {
            *slot = next;
        }
        kept = kept.saturating_add(1);
        at = at.saturating_add(1);
    }
    match begun.and_then(|from| arrivals.get(from..kept)) {
        Some(late) if drains(late, wait_s) => kept.saturating_sub(late.len()),
        _ => kept,
    }
}

/// Whether late packets are too many to be passed over, and the one after them does not come from a clock that was set back.
fn is_backlog(late: &[Arrival], after: &Arrival) -> bool {
    let (Some(first), Some(last)) = (late.first(), late.last()) else { return false };
    late.len() >= FEWEST
        && last.device_s - first.device_s > SHORTEST_S
        && after.host_us() > last.host_us() - BACK_US
}

/// Packets until the drain has ended, at the first that is hardly late any more.
fn drained(arrivals: &[Arrival]) -> usize {
    let until_s = arrivals.first().map_or(0.0, |first| first.device_s) + TAIL_S;
    let least_us = least(arrivals.iter().take_while(|a| a.device_s < until_s));
    arrivals.iter().position(|a| a.residual_us < least_us + NEAR_US).unwrap_or(0)
}

/// Whether late packets at the end of all come the less late the later they come.
fn drains(late: &[Arrival], wait_s: f64) -> bool {
    let (before, after) = late.split_at_checked(late.len() / 2).unwrap_or_default();
    late.len() >= FEWEST && least(before.iter()) - least(after.iter()) > least_us(wait_s)
}

fn least<'a>(arrivals: impl Iterator<Item = &'a Arrival>) -> f64 {
    arrivals.map(|a| a.residual_us).fold(f64::INFINITY, |a, b| if b < a { b } else { a })
}

#[cfg(test)]
mod tests;
