//! The error that was made, where the truth is known. The only place that sees a truth.

use std::collections::{BTreeMap, VecDeque};

use tickseam_record::{ErrorAgainstTruth, ErrorSizes, Truth};

use crate::align::Aligned;
use crate::quantile::of_sorted;

/// An alignment held against the truth.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Errors and how often intervals held.
    pub errors: ErrorAgainstTruth,
    /// Events that were put into another segment than the true one: no error in ms, and counted as not held.
    pub in_another_segment: u64,
}

/// Compares the events that have both a place and a truth; `None` where there are none.
pub fn compare(aligned: &Aligned, truth: &[Truth]) -> Option<Comparison> {
    let mut truths: BTreeMap<(i64, &str), VecDeque<&Truth>> = BTreeMap::new();
    for true_onset in truth {
        truths.entry((true_onset.host_ns, &true_onset.label)).or_default().push_back(true_onset);
    }
    let (mut placed, mut live) = (Errors::default(), Errors::default());
    let (mut arrival_stamp, mut least_squares) = (Errors::default(), Errors::default());
    let mut in_another_segment = 0;
    for (place, row) in aligned.events.rows.iter().enumerate() {
        let Some(true_onset) =
            truths.get_mut(&(row.host_ns, row.label.as_str())).and_then(VecDeque::pop_front)
        else {
            continue;
        };
        let Some(onset_s) = row.onset_s else { continue };
        if row.segment != Some(true_onset.segment) {
            in_another_segment += 1;
            continue;
        }
        let true_s = true_onset.onset_s;
        placed.add(onset_s, true_s, row.u95_ms);
        if let Some(onset_s) = row.live_onset_s {
            live.add(onset_s, true_s, row.live_u95_ms);
        }
        for (errors, peer) in [
            (&mut arrival_stamp, &aligned.peers.arrival_stamp),
            (&mut least_squares, &aligned.peers.least_squares),
        ] {
            if let Some(onset_s) = peer.get(place).copied().flatten() {
                errors.add(onset_s, true_s, None);
            }
        }
    }
    let compared = placed.ms.len() as u64;
    let held = placed.held;
    let (live_held, live_compared) = (live.held, live.ms.len());
    Some(Comparison {
        errors: ErrorAgainstTruth {
            events_compared: compared,
            placement: placed.sizes()?,
            interval_held_share: held as f64 / (compared + in_another_segment) as f64,
            live: live.sizes(),
            live_interval_held_share: (live_compared > 0).then(|| live_held as f64 / live_compared as f64),
            arrival_stamp: arrival_stamp.sizes(),
            least_squares: least_squares.sizes(),
        },
        in_another_segment,
    })
}

#[derive(Default)]
struct Errors {
    ms: Vec<f64>,
    held: u64,
}

impl Errors {
    fn add(&mut self, onset_s: f64, true_s: f64, u95_ms: Option<f64>) {
        let error_ms = (onset_s - true_s).abs() * 1e3;
        self.held += u64::from(u95_ms.is_some_and(|u95_ms| error_ms <= u95_ms));
        self.ms.push(error_ms);
    }

    /// The smallest errors that so large a share of the events do not exceed.
    fn sizes(mut self) -> Option<ErrorSizes> {
        self.ms.sort_by(f64::total_cmp);
        let largest_ms = *self.ms.last()?;
        let share = |share: f64| of_sorted(&self.ms, share);
        Some(ErrorSizes { median_ms: share(0.5)?, p95_ms: share(0.95)?, p99_ms: share(0.99)?, largest_ms })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_are_the_smallest_values_that_so_many_do_not_exceed() {
        let mut errors = Errors::default();
        for hundredth in (1..=200).rev() {
            errors.add(f64::from(hundredth) * 1e-3, 0.0, Some(100.5));
        }
        assert_eq!(errors.held, 100);
        let sizes = errors.sizes().unwrap();
        let rounded = [sizes.median_ms, sizes.p95_ms, sizes.p99_ms, sizes.largest_ms].map(f64::round);
        assert_eq!(rounded, [100.0, 190.0, 198.0, 200.0]);
        assert_eq!(Errors::default().sizes(), None);
    }
}
