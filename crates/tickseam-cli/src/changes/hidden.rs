//! Steps of the host's clock that the beat of packets and grid hides from bins of [`BIN_S`](tickseam::watch::BIN_S), whose least waits wander
//! with it: those of bins as long as a few slips do not.

use tickseam::block::Arrival;
use tickseam::watch::{DWELL, threshold_us};

use super::slew::Point;
use super::{Cause, Cut, Envelope, FLOOR_US, SCATTER_QUANTILE, jump, least, quantile};

/// Bins in which they are looked for, s (own choice).
const BINS_S: [f64; 2] = [20.0, 60.0];
/// A step that is so many times as high as it has to be would stand out of short bins, if it were none of a queue (own choice).
const HIDDEN: f64 = 4.0;
/// Packets of a bin at the least.
const PACKETS: usize = 8;

/// The least of a bin, and where it is among the arrivals.
pub(super) struct Level {
    pub(super) point: Point,
    pub(super) least: usize,
}

/// The lower envelope of arrivals in bins of at least so long, a slope taken off.
pub(super) fn levels(arrivals: &[Arrival], bin_s: f64, rate: f64) -> Vec<Level> {
    let mut levels: Vec<(Level, usize)> = Vec::new();
    for (least, arrival) in arrivals.iter().enumerate() {
        let point = Point { at_s: arrival.device_s, level_us: arrival.residual_us - rate * arrival.device_s };
        match levels.last_mut() {
            Some((level, packets)) if point.at_s < level.point.at_s + bin_s || *packets < PACKETS => {
                *packets += 1;
                if point.level_us < level.point.level_us {
                    level.point.level_us = point.level_us;
                    level.least = least;
                }
            }
            _ => levels.push((Level { point, least }, 1)),
        }
    }
    levels.into_iter().map(|(level, _)| level).collect()
}

/// The steps outside the cuts that are known, in no order. `wait_s` as for [`cuts`](super::cuts). Not for a link whose queue fills.
pub fn steps(arrivals: &[Arrival], envelope: &Envelope, wait_s: f64, cuts: &[Cut]) -> Vec<Cut> {
    let rate = envelope.usual_rate();
    let mut all = cuts.to_vec();
    for bin_s in BINS_S {
        let from = std::iter::once(0).chain(cuts.iter().map(|cut| cut.resume));
        let to = cuts.iter().map(|cut| cut.place).chain(std::iter::once(arrivals.len()));
        for (from, to) in from.zip(to) {
            let stretch = arrivals.get(from..to).unwrap_or_default();
            for cut in among(stretch, bin_s, rate, wait_s) {
                let cut = Cut { place: from + cut.place, resume: from + cut.resume, ..cut };
                if all.iter().all(|other| other.resume < cut.place || other.place > cut.resume) {
                    all.push(cut);
                }
            }
        }
    }
    all.split_off(cuts.len())
}

/// A step of the levels.
struct Step {
    /// First level after it.
    after: usize,
    step_us: f64,
    /// The clear distance of the levels before and after.
    clear_us: f64,
}

fn among(arrivals: &[Arrival], bin_s: f64, rate: f64, wait_s: f64) -> Vec<Cut> {
    let levels = levels(arrivals, bin_s, rate);
    let us: Vec<f64> = levels.iter().map(|level| level.point.level_us).collect();
    let scatter_us = quantile(us.windows(2).map(|two| (two[1] - two[0]).abs()).collect(), SCATTER_QUANTILE);
    let threshold_us = threshold_us(wait_s, scatter_us);
    let mut steps: Vec<Step> = Vec::new();
    for after in DWELL..(us.len() + 1).saturating_sub(DWELL) {
        let (of_before, of_after) = (&us[after - DWELL..after], &us[after..after + DWELL]);
        let Some((step_us, clear_us)) = jump(of_before, of_after, threshold_us) else { continue };
        if step_us.abs() > HIDDEN * threshold_us {
            continue;
        }
        match steps.last_mut() {
            // Of the levels around one step, those that it parts best.
            Some(last) if after < last.after + DWELL => {
                if clear_us > last.clear_us {
                    *last = Step { after, step_us, clear_us };
                }
            }
            _ => steps.push(Step { after, step_us, clear_us }),
        }
    }
    let slack_us = scatter_us.max(FLOOR_US);
    let cut = |Step { after, step_us, .. }: Step| {
        let low_before = least(&us[after - DWELL..after]);
        let low_after = least(&us[after..after + DWELL]);
        // The least waits before and after belong to one clock each, and so do packets that came too early for the other.
        let (mut last, mut first) = (levels[after - 1].least, levels[after].least);
        let mut between = arrivals[last..first].iter();
        let below = |a: &Arrival, us: f64| a.residual_us - rate * a.device_s < us - slack_us;
        if step_us > 0.0 {
            last += between.rposition(|a| below(a, low_after)).unwrap_or(0);
        } else {
            first = between.position(|a| below(a, low_before)).map_or(first, |at| last + at);
        }
        // After a step back, the clock before went on to later times than the first stamp after it, and the one after began before the last.
        let twice_us = (-step_us).max(0.0);
        Cut {
            place: last + 1,
            resume: first,
            step_us,
            cause: Cause::HostClockStep,
            doubtful: false,
            before_until_us: arrivals[first].host_us() + twice_us + slack_us,
            after_from_us: arrivals[last].host_us() - twice_us - slack_us,
        }
    };
    steps.into_iter().map(cut).collect()
}
