//! Changes of the grid of the link's instants: of its period, and of its phase. The clocks go on across them.

use std::ops::Range;

use tickseam::block::Arrival;
use tickseam::rise::PERIODS;

use super::slew::{Point, levelled};
use super::{Cause, Cut, SCATTER_QUANTILE, quantile};

/// A change of the grid of the link's instants.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GridChange {
    /// Device time, s, near which it was: to within a few seconds for a period, some 20 s for a phase.
    pub at_s: f64,
    /// [`Cause::IntervalChange`] or [`Cause::AnchorRephase`].
    pub cause: Cause,
    /// The longer one of the periods before and after, µs.
    pub period_us: f64,
}

impl GridChange {
    /// Whether a cut is nothing but this: several packets for one instant wait differently for the next one.
    pub fn explains(&self, cut: &Cut, at_s: f64) -> bool {
        (at_s - self.at_s).abs() < WINDOW_S && cut.step_us.abs() < PERIODS * self.period_us
    }
}

/// Windows in each of which the period of the grid is looked for, s of device time.
pub const WINDOW_S: f64 = 20.0;

/// Deliveries of a window in which the phase of a grid is followed at the least (own choice).
const PHASE_DELIVERIES: usize = 8;

/// Deliveries that a window needs, and that are looked at.
const FEWEST_DELIVERIES: usize = 40;
const MOST_DELIVERIES: usize = 160;

/// Distances of deliveries, in deliveries, whose fit to a period is looked at.
const LAGS: [usize; 7] = [1, 2, 3, 5, 8, 13, 21];

/// Deliveries are at least this far apart, µs: the air time of the longest packet of Bluetooth LE and its answer is less.
pub(super) const DELIVERY_US: f64 = 2_600.0;

/// Periods that are tried, µs: those that Bluetooth LE allows (Bluetooth Core, Vol 6 Part B, 4.5.1), up to the longest that lets
/// packets of 100 ms through one by one.
const PERIOD_STEP_US: f64 = 1_250.0;
const PERIODS_TRIED: Range<u32> = 6..81;

/// A grid's score is 1 where all distances are multiples of the period, and 0 where they are any. From the first number on
/// a window is on it, below the second it is not.
const ON_GRID: f64 = 0.7;
const OFF_GRID: f64 = 0.35;

/// Windows in a row that agree on a period before it counts as one, and windows that a change may take.
const AGREEING: usize = 3;
const CHANGING: usize = 2;

/// A new phase is believed from here on, µs, and from so many times the scatter that it has anyway from window to window.
const PHASE_US: f64 = 1_500.0;
const PHASE_SCATTERS: f64 = 8.0;

/// A period of which the packet period is a multiple to within this share is the sending's own.
const OF_SENDING: f64 = 0.002;

/// Deliveries of a stretch of device time.
struct Window {
    /// Its first arrival.
    place: usize,
    from_s: f64,
    deliveries_us: Vec<f64>,
}

impl Window {
    fn new(arrivals: &[Arrival], place: usize) -> Self {
        let mut deliveries_us: Vec<f64> = Vec::with_capacity(MOST_DELIVERIES);
        for arrival in arrivals {
            let at_us = arrival.host_us();
            if deliveries_us.last().is_none_or(|last_us| at_us - last_us > DELIVERY_US) {
                deliveries_us.push(at_us);
                if deliveries_us.len() == MOST_DELIVERIES {
                    break;
                }
            }
        }
        if deliveries_us.len() < FEWEST_DELIVERIES {
            deliveries_us.clear();
        }
        Self { place, from_s: arrivals.first().map_or(0.0, |first| first.device_s), deliveries_us }
    }

    /// How well distances of deliveries fit a period.
    fn score(&self, period_us: f64) -> f64 {
        let (mut sum, mut count) = (0.0, 0.0);
        for lag in LAGS {
            let later = self.deliveries_us.get(lag..).unwrap_or_default();
            for (from_us, to_us) in self.deliveries_us.iter().zip(later) {
                let turns = (to_us - from_us) / period_us;
                sum += 1.0 - 4.0 * (turns - turns.round()).abs();
                count += 1.0;
            }
        }
        if count > 0.0 { sum / count } else { 0.0 }
    }

    /// The longest period that it is on.
    fn period_us(&self) -> Option<f64> {
        let mut periods = PERIODS_TRIED.rev().map(|steps| f64::from(steps) * PERIOD_STEP_US);
        periods.find(|&period_us| self.score(period_us) > ON_GRID)
    }
}

/// How far the middle one of some deliveries lies after an instant of a grid, µs.
fn middle_after_us(deliveries_us: &[f64], instant_us: f64, period_us: f64) -> f64 {
    let off = |at_us: &f64| {
        let turns = (at_us - instant_us) / period_us;
        (turns - turns.round()) * period_us
    };
    quantile(deliveries_us.iter().map(off).collect(), 0.5)
}

/// The grids that deliveries keep to: stretches of windows on one period each, µs.
pub struct Grids {
    windows: Vec<Window>,
    runs: Vec<(Range<usize>, f64)>,
}

impl Grids {
    /// Of arrivals in the order of reception.
    pub fn of(arrivals: &[Arrival]) -> Self {
        let mut windows: Vec<Window> = Vec::new();
        let mut from = 0;
        while let Some(first) = arrivals.get(from) {
            let until_s = first.device_s + WINDOW_S;
            let rest = &arrivals[from..];
            let count = rest.iter().position(|a| a.device_s >= until_s).unwrap_or(rest.len()).max(1);
            windows.push(Window::new(&rest[..count], from));
            from += count;
        }
        let mut runs: Vec<(Range<usize>, f64)> = Vec::new();
        for (at, window) in windows.iter().enumerate() {
            let Some(period_us) = window.period_us() else { continue };
            match runs.last_mut() {
                Some((run, of_run_us)) if at - run.end < CHANGING && *of_run_us == period_us => {
                    run.end = at + 1;
                }
                _ => runs.push((at..at + 1, period_us)),
            }
        }
        runs.retain(|(run, _)| run.len() >= AGREEING);
        Self { windows, runs }
    }

    /// Those that packets sent each `period_s` do not make of themselves: what they do repeats as they are sent, and no grid need be there.
    fn of_the_link(&self, period_s: f64) -> impl Iterator<Item = &(Range<usize>, f64)> {
        self.runs.iter().filter(move |(_, period_us)| {
            let turns = period_s * 1e6 / period_us;
            (turns - turns.round()).abs() >= OF_SENDING * turns
        })
    }

    /// How the phase of each such grid moves against the host's clock, the slope that most of it has taken off.
    pub(super) fn phases(&self, arrivals: &[Arrival], period_s: f64, window_s: f64) -> Vec<Vec<Point>> {
        let place = |window: usize| self.windows.get(window).map_or(arrivals.len(), |window| window.place);
        let of = |(run, period_us): &(Range<usize>, f64)| {
            levelled(&phases(&arrivals[place(run.start)..place(run.end)], *period_us, window_s))
        };
        self.of_the_link(period_s).map(of).collect()
    }
}

/// By how much a grid moves against the host's clock, in windows of so many seconds at the least: no wait of a packet hides it.
fn phases(arrivals: &[Arrival], period_us: f64, window_s: f64) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::new();
    let mut deliveries: Vec<f64> = Vec::new();
    let (mut instant_us, mut level_us, mut from_s) = (0.0, 0.0, f64::NEG_INFINITY);
    let mut last_us = f64::NEG_INFINITY;
    for arrival in arrivals {
        if deliveries.len() >= PHASE_DELIVERIES && arrival.device_s > from_s + window_s {
            let after_us = middle_after_us(&deliveries, instant_us, period_us);
            let near_us = deliveries[deliveries.len() / 2];
            if !points.is_empty() {
                level_us += after_us;
            }
            instant_us += ((near_us - instant_us) / period_us).round() * period_us + after_us;
            points.push(Point { at_s: from_s, level_us });
            deliveries.clear();
        }
        if deliveries.is_empty() {
            from_s = arrival.device_s;
        }
        let at_us = arrival.host_us();
        if at_us - last_us > DELIVERY_US {
            deliveries.push(at_us);
            last_us = at_us;
        }
    }
    points
}

/// The changes of the grid that arrivals show, in the order of reception: where its period changes and stays, and where its
/// phase does. The clocks go on across both.
pub fn grid_changes(grids: &Grids, period_s: f64) -> Vec<GridChange> {
    let Grids { windows, runs } = grids;
    let mut changes = Vec::new();
    for (run, period_us) in grids.of_the_link(period_s) {
        changes.extend(new_phases(&windows[run.clone()], *period_us));
    }
    for two in runs.windows(2) {
        let ((before, old_us), (after, new_us)) = (&two[0], &two[1]);
        // Of a period and its multiple, one fits both stretches.
        let fits = |run: &Range<usize>, period_us: f64| {
            windows[run.clone()].iter().any(|w| w.score(period_us) > OFF_GRID)
        };
        let apart = !fits(after, *old_us) || !fits(before, *new_us);
        if old_us != new_us && apart && after.start - before.end <= CHANGING {
            let at_s = windows.get(before.end).map_or(0.0, |window| window.from_s);
            let period_us = old_us.max(*new_us);
            changes.push(GridChange { at_s, cause: Cause::IntervalChange, period_us });
        }
    }
    changes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    changes
}

/// Where the phase of a grid jumps and stays.
fn new_phases(windows: &[Window], period_us: f64) -> Vec<GridChange> {
    // By how much each window's middle phase lies after the one before, and after how long.
    let mut moves: Vec<(f64, f64, f64)> = Vec::new();
    let mut last: Option<(f64, f64)> = None;
    for window in windows.iter().filter(|window| !window.deliveries_us.is_empty()) {
        let (from_s, instant_us) = last.unwrap_or((window.from_s, window.deliveries_us[0]));
        let after_us = middle_after_us(&window.deliveries_us, instant_us, period_us);
        // Near the instant, so that the period's own error does not add up.
        let near = window.deliveries_us[window.deliveries_us.len() / 2];
        let turns = ((near - instant_us) / period_us).round();
        last = Some((window.from_s, instant_us + turns * period_us + after_us));
        moves.push((window.from_s, window.from_s - from_s, after_us));
    }
    if moves.len() < 2 * AGREEING + 1 {
        return Vec::new();
    }
    let rate = quantile(moves[1..].iter().map(|(_, after_s, us)| us / after_s).collect(), 0.5);
    let off: Vec<f64> = moves.iter().map(|(_, after_s, us)| us - rate * after_s).collect();
    let scatter_us = quantile(off.iter().map(|us| us.abs()).collect(), SCATTER_QUANTILE);
    let threshold_us = PHASE_US.max(PHASE_SCATTERS * scatter_us);
    let quiet = |at: usize| off.get(at).is_none_or(|us| us.abs() < threshold_us / 2.0);
    let mut changes = Vec::new();
    let mut at = 2;
    while at + 2 < off.len() {
        // A jump inside a window moves its middle and the next one's.
        let (here, next) = (off[at], off[at + 1]);
        if (here + next).abs() > threshold_us && quiet(at - 1) && quiet(at + 2) {
            let at_s = moves[if here.abs() > threshold_us / 4.0 { at } else { at + 1 }].0;
            changes.push(GridChange { at_s, cause: Cause::AnchorRephase, period_us });
            at += 2;
        }
        at += 1;
    }
    changes
}
