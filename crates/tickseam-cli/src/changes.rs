//! Sudden changes of the clocks and the link: where they are, what they are held to be, and how sure that is.
//!
//! The lower envelope of the arrivals, taken in bins of [`watch::BIN_S`], stays on one level but for drift, beat and noise. A jump of it
//! that stays is a setting of the host's clock, or its sleep; a jump no higher than what the beat of packets and grid or a new anchor of the
//! link moves the least waits by is never taken for one. Where no grid is known, that is a packet period, and a lower jump may be either: what is
//! known is parted there too, and intervals hold both. Settings by less than 20 ms go unseen, and intervals there do not hold as often as they
//! should. So do settings forward in the last ten seconds, and back in the first five: a queue looks like them.
//!
//! [`hidden_steps`] are looked for in longer bins, where the beat of packets and grid makes levels of 5 s wander.
//!
//! A ramp that is steeper than any crystal and leads from one level to another is a slew of the host's clock ([`slews`]). The phase of the link's
//! grid shows it where packets' waits hide it.
//!
//! # Measured
//! Slews, revision 21 → 22, the recordings of the table below (`ONLY=slew cargo test --release -p tickseam-cli --test changes -- --ignored
//! --nocapture`), looked at while mending:
//!
//! | slew | found | held |
//! | --- | --- | --- |
//! | 500 ppm for 10 s | 0 → 42 of 60 | 0.922 → 0.977 |
//! | 500 ppm for 20 s | 0 → 54 of 60 | 0.826 → 0.982 |
//! | -500 ppm for 60 s | not counted → 56 of 60 | 0.760 → 0.975 |
//! | 100 ppm for 100 s | not counted → 52 of 60 | 0.801 → 0.971 |
//! | -100 ppm for 200 s | not counted → 54 of 60 | 0.645 → 0.974 |
//!
//! With an earlier numerics revision (8 or before), which looked for settings from 1.25 packet periods on whatever the interval:
//! `cargo test --release -p tickseam-cli --test changes -- --ignored --nocapture`: 60 random recordings of 15 minutes for each
//! fault at 400 s, of slipping, partly slipping, locked, one-sided and constant links in turn, packet periods of 10 to 100
//! ms; 53 of them with ticks, 26 with connection events. "Live" counts recordings in which [`watch::Watch`] was sure, and how long after the
//! change that was; a sleeping host knows nothing before it wakes. "Held" is the mean share of events whose interval held; it is
//! 0.988 without any fault (0.997 live).
//!
//! | change | named | cut misplaced, median / 90 % | live | after, median / 90 % | held | held live |
//! | --- | --- | --- | --- | --- | --- | --- |
//! | step up 0.03 s | 12 of 60 | 0.01 / 0.02 s | 12 | 15.59 / 16.32 s | 0.782 | 0.667 |
//! | step down 0.03 s | 9 of 60 | 0.01 / 0.01 s | 6 | -0.02 / -0.01 s | 0.954 | 0.968 |
//! | step up 0.06 s | 31 of 60 | 0.02 / 0.04 s | 31 | 15.96 / 17.19 s | 0.911 | 0.789 |
//! | step down 0.06 s | 29 of 60 | 0.02 / 0.03 s | 20 | -0.03 / -0.01 s | 0.962 | 0.990 |
//! | step up 0.1 s | 48 of 60 | 0.02 / 0.05 s | 49 | 16.11 / 18.36 s | 0.937 | 0.931 |
//! | step down 0.1 s | 46 of 60 | 0.02 / 0.04 s | 41 | -0.04 / -0.02 s | 0.957 | 0.997 |
//! | step up 0.15 s | 57 of 60 | 0.02 / 0.05 s | 58 | 16.23 / 18.39 s | 0.968 | 0.997 |
//! | step down 0.15 s | 58 of 60 | 0.02 / 0.05 s | 55 | -0.04 / -0.02 s | 0.977 | 0.997 |
//! | step up 0.25 s | 57 of 60 | 0.02 / 0.05 s | 59 | 16.23 / 18.39 s | 0.965 | 0.997 |
//! | step down 0.25 s | 58 of 60 | 0.02 / 0.05 s | 58 | -0.04 / -0.02 s | 0.978 | 0.997 |
//! | step up 0.5 s | 59 of 60 | 0.02 / 0.07 s | 60 | 16.23 / 18.39 s | 0.977 | 0.997 |
//! | step down 0.5 s | 59 of 60 | 0.02 / 0.07 s | 60 | -0.04 / -0.02 s | 0.987 | 0.997 |
//! | step up 1.5 s | 59 of 60 | 0.02 / 0.07 s | 60 | 6.13 / 8.31 s | 0.980 | 0.997 |
//! | step down 1.5 s | 60 of 60 | 0.02 / 0.07 s | 60 | -0.04 / -0.02 s | 0.987 | 0.997 |
//! | step up 3600 s | 57 of 60 | 0.02 / 0.07 s | 60 | 6.13 / 8.31 s | 0.967 | 0.978 |
//! | step down 3600 s | 60 of 60 | 0.02 / 0.07 s | 60 | -0.04 / -0.02 s | 0.987 | 0.999 |
//! | 0.25 s for 60 s | 57 of 60 | 0.02 / 0.05 s | 59 | 16.23 / 18.39 s | 0.984 | 0.997 |
//! | -0.25 s for 60 s | 58 of 60 | 0.02 / 0.05 s | 59 | -0.04 / -0.02 s | 0.982 | 0.994 |
//! | 2 s for 60 s | 59 of 60 | 0.02 / 0.07 s | 60 | 6.13 / 8.31 s | 0.987 | 0.997 |
//! | -2 s for 60 s | 60 of 60 | 0.02 / 0.07 s | 60 | -0.04 / -0.02 s | 0.987 | 0.991 |
//! | suspend 0.3 s | 56 of 60 | 0.06 / 0.11 s | 29 | 0.29 / 0.31 s | 0.949 | 0.997 |
//! | suspend 1 s | 52 of 60 | 0.24 / 0.28 s | 60 | 0.75 / 1.00 s | 0.918 | 0.997 |
//! | suspend 5 s | 54 of 60 | 0.23 / 0.27 s | 60 | 4.60 / 5.00 s | 0.922 | 0.997 |
//! | suspend 30 s | 57 of 60 | 0.22 / 0.28 s | 60 | 29.63 / 30.00 s | 0.946 | 0.997 |
//! | suspend 300 s | 56 of 60 | 0.22 / 0.27 s | 60 | 299.64 / 300.00 s | 0.947 | 0.996 |
//! | tick step 2 s | 53 of 53 | 0.09 / 0.16 s | 0 |  | 0.986 | 0.996 |
//! | tick step -2 s | 53 of 53 | 0.09 / 0.16 s | 0 |  | 0.977 | 0.986 |
//! | tick step 0.1 s | 53 of 53 | 0.09 / 0.16 s | 0 |  | 0.977 | 0.986 |
//! | tick step 3600 s | 50 of 53 | 0.09 / 0.16 s | 0 |  | 0.986 | 0.965 |
//! | interval change | 22 of 26 | 0.46 / 1.26 s | 3 | 21.04 / 21.20 s | 0.960 | 0.999 |
//! | reconnection | 14 of 26 | 3.01 / 3.07 s | 0 |  | 0.994 | 1.000 |
//!
//! False alarms in 110 hours of random recordings without faults, stalls and batches among them: none in five classes of
//! links; on congested ones 6 steps of the host's clock in their first ten seconds, while the queue fills.

mod grid;
mod hidden;
mod slew;

use std::ops::Range;

use grid::DELIVERY_US;
pub use grid::{GridChange, Grids, WINDOW_S, grid_changes};
use hidden::levels;
pub use hidden::steps as hidden_steps;
use slew::{Point, Slew};
use tickseam::block::Arrival;
use tickseam::watch::{self, DWELL, Levels, RAMP_US, RATE_US_PER_S, SURE_US, threshold_us};

/// What a sudden change is held to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The host's clock was set, or set back after that.
    HostClockStep,
    /// The host slept: its clock stood still while the device went on.
    HostSuspend,
    /// The host's clock ran fast or slow until it was at another time.
    HostClockSlew,
    /// The link's instants follow each other at another period; the clocks go on.
    IntervalChange,
    /// The link's instants have another phase, as after a reconnection; the clocks go on.
    AnchorRephase,
    /// The device's tick jumped while its samples went on.
    DeviceClockStep,
}

impl Cause {
    /// For people.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::HostClockStep => "the phone's clock was set",
            Self::HostSuspend => "the phone slept, and its clock stood still",
            Self::HostClockSlew => "the phone's clock was slewed",
            Self::IntervalChange => "the connection interval changed",
            Self::AnchorRephase => "the grid's phase jumped, as after a reconnection",
            Self::DeviceClockStep => "the headset's tick jumped",
        }
    }

    /// As `alignment.json` has it.
    pub fn name(self) -> &'static str {
        match self {
            Self::HostClockStep => "host-clock-step",
            Self::HostSuspend => "host-suspend",
            Self::HostClockSlew => "host-clock-slew",
            Self::IntervalChange => "interval-change",
            Self::AnchorRephase => "anchor-rephase",
            Self::DeviceClockStep => "device-clock-step",
        }
    }
}

/// How much the envelope changes from bin to bin anyway: in four of five cases no more than this.
const SCATTER_QUANTILE: f64 = 0.8;

/// What packets wait at the most around a setting of the clock, but for one in fifty (own choice).
const WAITS_QUANTILE: f64 = 0.98;

/// Packets of this much device time before a cut tell how far the host's clock had come, s.
const LOOK_BACK_S: f64 = 2.0;

/// So shortly before a step up, packets are still near the level that they had, s, and so many of them are looked at.
const CLIMB_S: f64 = 1.0;
const CLIMB_PACKETS: usize = 8;

/// A jump in the first seconds, where fewer levels lie before it than [`DWELL`], has to stand out by so many thresholds, and so many levels
/// after it have to stay, within so small a share of it: an app's delays settle by less, and queues that filled drain (own choice).
const EARLY: f64 = 2.0;
const EARLY_STAYS: usize = 6;
const EARLY_SPREAD: f64 = 0.25;

/// Share of the packets sent that come after such a jump at the least: where fewer do, a queue may be full and lose them.
const OVERFLOWS: f64 = 0.9;

/// A host that slept stamps its next packet soon after it wakes, µs.
const AWAKE_US: f64 = 2e6;

/// The envelope of a few seconds is not known better than this, µs.
const FLOOR_US: f64 = 2e3;

/// Packets stamped within this before the first that shows that the host slept may have come as it woke, µs: some connection
/// intervals (own choice). Doubled: so much less is known of the clock before.
const BURST_US: f64 = 300e3;

/// A clock is slewed so many times in a recording at the most, or once in so many seconds (own choice).
const MOST_SLEWS: f64 = 2.0;
const SLEWS_APART_S: f64 = 3_600.0;

/// Bins in which ramps are looked for, s, and the least way that is told, µs (own choice): shorter ones let the beat of usual links through.
const SLEW_BINS_S: [f64; 3] = [1.0, 2.0, 5.0];
const SLEW_US: f64 = 3e3;
/// Windows in which the phase of a grid is followed, s (own choice).
const PHASES_S: [f64; 2] = [2.0, 5.0];
/// A ramp found in longer bins replaces those found in shorter ones if it leads so many times as far.
const MORE_OF_IT: f64 = 1.25;
/// Ways that may be a slip of the beat, which noise makes a ramp, in beats.
const SLIPS: Range<f64> = 0.8..1.1;

/// Packets of one delivery on average from which on they come in batches, and the longest that connection events are apart, µs: an interval of
/// 100 ms, the longest that lets packets through one by one at common rates, and some that find nothing to send.
const IN_BATCHES: f64 = 1.3;
const LONGEST_EVENTS_US: f64 = 130e3;

/// Exchanges and markers stamped so shortly before or after a change are left out, s and packets of the reference stream: packets that waited
/// for longer than a step is high do not tell which clock stamped them, so that the moment is known to within some packets (own choice).
/// Doubled: as many more of them are lost.
const DOUBT_S: f64 = 1.0;
const DOUBT_PACKETS: f64 = 8.0;

/// After a step back by more than this, µs, ticks tell which clock stamped an exchange or a marker: above what these are compared to.
const TOLD_BY_TICKS_US: f64 = 3e6;

/// A place where no line may be drawn across.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cut {
    /// First arrival after those that belong to the clock before.
    pub place: usize,
    /// First arrival that surely belongs to the clock after: the same, unless the clock was slewed from the one to the other, or the arrivals do
    /// not tell when it was set.
    pub resume: usize,
    /// By how much the envelope jumps, µs; positive: stamps are later.
    pub step_us: f64,
    /// What it is held to be.
    pub cause: Cause,
    /// It is no higher than packets may have to wait for a link of which no grid is known: it may as well be theirs.
    pub doubtful: bool,
    /// Host time, µs, up to which the clock before it may have stamped events, and from which the one after it may.
    pub before_until_us: f64,
    /// See `before_until_us`.
    pub after_from_us: f64,
}

impl Cut {
    /// Host times, µs, up to which the clock before it stamped exchanges and markers for sure, and from which on the one after it did. After
    /// a step back, some of the host's times came twice: neither clock has those.
    pub fn surely_us(&self, arrivals: &[Arrival], period_s: f64) -> (f64, f64) {
        let twice_us = match self.cause {
            Cause::HostClockStep => (-self.step_us).clamp(0.0, TOLD_BY_TICKS_US),
            _ => 0.0,
        };
        let doubt_us = DOUBT_S.max(DOUBT_PACKETS * period_s) * 1e6 + twice_us;
        let at_us = |place: Option<usize>| place.and_then(|place| arrivals.get(place)).map(Arrival::host_us);
        let last_us = at_us(self.place.checked_sub(1)).unwrap_or(f64::NEG_INFINITY);
        let first_us = at_us(Some(self.resume)).unwrap_or(f64::INFINITY);
        (last_us - doubt_us, first_us + doubt_us)
    }

    /// Device times of the first packets after it: of those that had waited, and of one that was stamped when sure, s.
    pub fn lies_between_s(&self, arrivals: &[Arrival]) -> (f64, f64) {
        let after = &arrivals[self.resume..];
        let from_s = after.first().map_or(0.0, |first| first.device_s);
        let sure =
            after.iter().find(|a| a.host_us() > self.before_until_us.max(self.after_from_us + BURST_US));
        (from_s, sure.map_or(from_s, |sure| sure.device_s))
    }
}

/// A stretch of arrivals, and its first one.
struct Bin {
    place: usize,
    bin: watch::Bin,
}

/// The jump between levels before and after, if it stands out of both by the threshold: between their middles, and how far they are clear of
/// each other.
fn jump(before: &[f64], after: &[f64], threshold_us: f64) -> Option<(f64, f64)> {
    let [of_before, of_after] = [before, after].map(|levels| Levels::of(levels.iter().copied()));
    let clear_us = of_before.jump_to(&of_after, threshold_us)?.abs();
    Some((quantile(after.to_vec(), 0.5) - quantile(before.to_vec(), 0.5), clear_us))
}

/// The jump from the first levels of a recording, too few for [`jump`], to those after, which stay for long.
fn early_jump(before: &[f64], after: &[f64], threshold_us: f64) -> Option<f64> {
    let after = after.get(..EARLY_STAYS)?;
    let highest = |levels: &[f64]| levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (up, down) = (least(after) - highest(before), least(before) - highest(after));
    let clear_us = up.max(down);
    let stays = highest(after) - least(after) < EARLY_SPREAD * clear_us;
    let stands_out = stays && clear_us > EARLY * threshold_us;
    stands_out.then(|| quantile(after.to_vec(), 0.5) - quantile(before.to_vec(), 0.5))
}

/// Packets a second of some bins.
fn per_s(bins: &[Bin]) -> f64 {
    let (Some(first), Some(last)) = (bins.first(), bins.last()) else { return 0.0 };
    (last.place - first.place) as f64 / (last.bin.from_s - first.bin.from_s).max(1e-3)
}

fn least(levels: &[f64]) -> f64 {
    Levels::of(levels.iter().copied()).low_us()
}

fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let rank = (values.len() as f64 * share) as usize;
    values.get(rank.min(values.len().saturating_sub(1))).copied().unwrap_or(0.0)
}

/// Where the lower envelope of the arrivals, in the order of reception, jumps and stays: in that order. Packets are sent each `period_s`
/// and wait for the link for up to `wait_s`.
pub fn cuts(arrivals: &[Arrival], envelope: &Envelope, period_s: f64, wait_s: f64) -> Vec<Cut> {
    let Envelope { bins, levels, .. } = envelope;
    let (rate, scatter_us) = (envelope.rate, envelope.scatter_us);
    let level = |residual_us: f64, at_s: f64| residual_us - rate * at_s;
    let threshold_us = threshold_us(wait_s, scatter_us);

    let mut cuts: Vec<Cut> = Vec::new();
    for k in 1..bins.len() {
        let silence_s = (bins[k].bin.from_s - bins[k - 1].bin.to_s).max(0.0);
        let threshold_us = threshold_us + RATE_US_PER_S * silence_s;
        // What lies beyond another cut has another level.
        let from = cuts.last().map_or(0, |cut| bins.partition_point(|bin| bin.place < cut.place));
        let around = |dwell: usize| {
            let before = &levels[k.saturating_sub(dwell).max(from).min(k - 1)..k];
            let after = &levels[k..(k + dwell).min(levels.len())];
            jump(before, after, threshold_us).map(|(step_us, _)| step_us)
        };
        let sure = || around(1).filter(|step_us| step_us.abs() > SURE_US && around(2).is_some());
        // What waited while the host slept may be all that came before the counters no longer tell how long that was.
        let at_the_end = || {
            let (before, after) = (&levels[from.max(k.saturating_sub(DWELL)).min(k)..k], &levels[k..]);
            let fallen_us = least(before) - after.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let sure = before.len() == DWELL && after.len() < DWELL && fallen_us > threshold_us.max(RAMP_US);
            sure.then(|| after[after.len() - 1] - quantile(before.to_vec(), 0.5))
        };
        let known = around(DWELL).or_else(sure).or_else(at_the_end);
        let early = || {
            let jump =
                early_jump(&levels[..k], &levels[k..], threshold_us).filter(|_| from == 0 && k < DWELL)?;
            let after = &bins[k..=(k + EARLY_STAYS).min(bins.len() - 1)];
            let carried = per_s(after) * period_s > OVERFLOWS;
            carried.then_some(jump)
        };
        let Some(step_us) = known.or_else(early) else { continue };
        let to = bins.get(k + 1).map_or(arrivals.len(), |next| next.place);
        // What a queue held back falls over several bins: those that lie far below the one before are after the change too.
        let mut fallen = k;
        while step_us < 0.0 && fallen > from + 2 && levels[fallen - 1] < levels[fallen - 2] - threshold_us {
            fallen -= 1;
        }
        let run_from = bins[fallen - 1].place;
        let run = &arrivals[run_from..to];
        let low_before = least(&levels[fallen.saturating_sub(DWELL).max(from).min(fallen - 1)..fallen]);
        let low_after = least(&levels[k..(k + 2).min(levels.len())]);
        // Delays only ever raise a residual: of two clocks, only the earlier one after a step down, and only the later one
        // before a step up, can have stamped below both floors.
        let slack_us = scatter_us.max(FLOOR_US);
        // The beat moves the floor by up to a wait, also between the levels that are compared; a small step leaves no room for that.
        let wait_us = wait_s * 1e6;
        let clear_us = if step_us.abs() > 4.0 * wait_us { slack_us.max(wait_us) } else { slack_us };
        let below = |a: &Arrival, floor_us: f64| level(a.residual_us, a.device_s) < floor_us - clear_us;
        let within = if step_us > 0.0 {
            run.iter().rposition(|a| below(a, low_after)).map_or(0, |at| at + 1)
        } else {
            run.iter().position(|a| below(a, low_before)).unwrap_or(run.len())
        };
        let place = run_from + within;
        if step_us > 0.0 {
            // A queue that fills climbs; a clock that is set does not.
            let until_s = arrivals[place.saturating_sub(1)].device_s - CLIMB_S;
            let just_before = arrivals[..place].iter().rev().enumerate();
            let just_before = just_before.take_while(|(n, a)| *n < CLIMB_PACKETS || a.device_s > until_s);
            let lowest =
                just_before.map(|(_, a)| level(a.residual_us, a.device_s)).fold(f64::INFINITY, f64::min);
            if lowest > low_before + step_us / 4.0 {
                continue;
            }
        }
        if within == run.len() || place <= cuts.last().map_or(0, |cut| cut.place) {
            continue;
        }
        // What a queue held back falls from packet to packet; a clock that is set back falls at once.
        let waited_us = |a: &Arrival| level(a.residual_us, a.device_s) - low_before;
        let fallen_us = -waited_us(&arrivals[place]);
        if known.is_none() && step_us < 0.0 && fallen_us < -step_us / 2.0 {
            continue;
        }
        let just_before = &arrivals[bins[k.saturating_sub(DWELL).max(from)].place..place];
        let longest_us = quantile(just_before.iter().map(waited_us).collect(), WAITS_QUANTILE);
        // A packet that waited for longer than the step is high tells not which clock stamped it.
        let either = |a: &&Arrival| {
            let near = (a.device_s - arrivals[place].device_s).abs() < LOOK_BACK_S;
            near && waited_us(a) + (-step_us).max(0.0) <= longest_us
        };
        let doubtful = if step_us > 0.0 {
            let after = arrivals[place..arrivals.len() - 1].iter();
            place..place + after.take_while(either).count()
        } else {
            let since = cuts.last().map_or(0, |cut| cut.resume) + 1;
            let before = arrivals[since.min(place)..place].iter().rev();
            place - before.take_while(either).count()..place
        };
        let Some(cut) = cut_at(arrivals, place, doubtful, step_us, period_s, slack_us) else { continue };
        match cuts.last_mut() {
            // The packets of one awakening may fall over several bins.
            Some(last) if cut.place <= last.place => {
                last.step_us += cut.step_us;
                last.before_until_us = last.before_until_us.max(cut.before_until_us);
                last.after_from_us = last.after_from_us.min(cut.after_from_us);
            }
            _ => cuts.push(cut),
        }
    }
    cuts
}

/// Where the lower envelope of the arrivals, or the phase of the link's grid, leads from one level to another by a ramp that no crystal is, outside
/// the cuts that are known: in the order of reception. Packets are sent each `period_s`; `beat_s` is by how much a slip of their beat moves the
/// envelope, where a grid is known. Not for a link whose queue fills.
pub fn slews(
    arrivals: &[Arrival],
    (envelope, grids): (&Envelope, &Grids),
    period_s: f64,
    beat_s: Option<f64>,
    cuts: &[Cut],
) -> Vec<Cut> {
    if hands_over_in_batches(arrivals) {
        return Vec::new();
    }
    let (first, last) = (envelope.bins.first(), envelope.bins.last());
    let lasts_s = first.zip(last).map_or(0.0, |(first, last)| last.bin.from_s - first.bin.from_s);
    let most = MOST_SLEWS.max(lasts_s / SLEWS_APART_S);
    let found = |points: &[Point]| {
        let found = slew::slews(points, SLEW_US);
        // What comes again and again is a beat.
        if found.len() as f64 > most { Vec::new() } else { found }
    };
    let is_slip = |slew: &Slew| {
        let beats = beat_s.map(|beat_s| slew.way_us.abs() * 1e-6 / beat_s);
        beats.is_some_and(|beats| SLIPS.contains(&beats))
    };
    // No wait of a packet hides a grid's phase.
    let phases = PHASES_S.map(|window_s| grids.phases(arrivals, period_s, window_s));
    let mut of_grids = Vec::new();
    for phases in &phases {
        take(&mut of_grids, phases.iter().flat_map(|points| found(points)));
    }
    let rate = envelope.usual_rate();
    let mut slews = Vec::new();
    for bin_s in SLEW_BINS_S {
        let points: Vec<Point> = levels(arrivals, bin_s, rate).iter().map(|level| level.point).collect();
        take(&mut slews, found(&points).into_iter().filter(|slew| !is_slip(slew)));
    }
    slews.retain(|slew| {
        !of_grids.iter().any(|of_grid| of_grid.meets(slew))
            && !phases[0].iter().any(|points| slew.is_refuted_by(points))
    });
    let mut all = cuts.to_vec();
    for slew in of_grids.iter().chain(&slews) {
        all.extend(cut_around(arrivals, slew, &all));
    }
    all.split_off(cuts.len())
}

/// Takes in ramps that longer bins show: short ones place a ramp best, long ones do not take a part of it for the whole.
fn take(known: &mut Vec<Slew>, longer: impl Iterator<Item = Slew>) {
    for slew in longer {
        let known_us: f64 =
            known.iter().filter(|other| slew.meets(other)).map(|other| other.way_us.abs()).sum();
        if slew.way_us.abs() > MORE_OF_IT * known_us {
            known.retain(|other| !slew.meets(other));
            known.push(slew);
        }
    }
}

/// Whether an app hands packets over in batches that are farther apart than connection events are: the beat of those is a ramp.
pub fn hands_over_in_batches(arrivals: &[Arrival]) -> bool {
    let mut last_us = f64::NEG_INFINITY;
    let deliveries =
        arrivals.iter().filter(|a| a.host_us() - std::mem::replace(&mut last_us, a.host_us()) > DELIVERY_US);
    let deliveries = deliveries.count().max(1) as f64;
    let lasts_us =
        arrivals.first().zip(arrivals.last()).map_or(0.0, |(first, last)| last.host_us() - first.host_us());
    arrivals.len() as f64 > IN_BATCHES * deliveries && lasts_us > LONGEST_EVENTS_US * deliveries
}

/// The lower envelope of arrivals, in bins.
pub struct Envelope {
    bins: Vec<Bin>,
    /// Its slope, µs a second, and its levels once that is taken off.
    rate: f64,
    levels: Vec<f64>,
    /// How much these change from bin to bin anyway.
    scatter_us: f64,
}

impl Envelope {
    /// Of arrivals in the order of reception.
    pub fn of(arrivals: &[Arrival]) -> Self {
        let mut bins: Vec<Bin> = Vec::new();
        for (place, arrival) in arrivals.iter().enumerate() {
            match bins.last_mut() {
                Some(Bin { bin, .. }) if !bin.ends_before(arrival) => bin.take(arrival),
                _ => bins.push(Bin { place, bin: watch::Bin::new(arrival) }),
            }
        }
        // The nominal rate may be off by far more than the crystal is.
        let rates = bins
            .windows(2)
            .map(|two| (two[1].bin.least_us - two[0].bin.least_us) / (two[1].bin.from_s - two[0].bin.from_s));
        let rate = quantile(rates.filter(|rate| rate.is_finite()).collect(), 0.5);
        let levels: Vec<f64> = bins.iter().map(|Bin { bin, .. }| bin.least_us - rate * bin.from_s).collect();
        let mut changes: Vec<f64> = levels.windows(2).map(|two| (two[1] - two[0]).abs()).collect();
        if (changes.len() as f64) * (1.0 - SCATTER_QUANTILE) < 2.0 {
            // Of so few, one may be the clock's.
            changes.sort_by(f64::total_cmp);
            changes.pop();
        }
        let scatter_us = quantile(changes, SCATTER_QUANTILE);
        Self { bins, rate, levels, scatter_us }
    }

    /// The slope that most of the recording has, µs a second.
    fn usual_rate(&self) -> f64 {
        let level = |(bin, &level_us): (&Bin, &f64)| Point { at_s: bin.bin.from_s, level_us };
        let points: Vec<Point> = self.bins.iter().zip(&self.levels).map(level).collect();
        self.rate + slew::usual_slope(&points)
    }
}

/// A cut from before a ramp to behind it; `None` where another one lies there.
fn cut_around(arrivals: &[Arrival], slew: &Slew, cuts: &[Cut]) -> Option<Cut> {
    let from = |at_s: f64| arrivals.iter().position(|a| a.device_s >= at_s);
    let (place, resume) = (from(slew.from_s)?, from(slew.until_s)?);
    let apart = cuts.iter().all(|cut| cut.resume <= place || cut.place >= resume);
    // In a silence behind it nothing is known of it.
    let said = arrivals.get(resume).is_some_and(|a| a.device_s < 2.0 * slew.until_s - slew.from_s);
    let clear = place > 0 && place < resume && apart && said;
    clear.then(|| Cut {
        place,
        resume,
        step_us: slew.way_us,
        cause: Cause::HostClockSlew,
        doubtful: false,
        before_until_us: arrivals[resume].host_us(),
        after_from_us: arrivals[place].host_us(),
    })
}

/// Of `doubtful` packets either clock may have stamped. `None` where all that came before was a backlog: it tells of no clock that was another one.
fn cut_at(
    arrivals: &[Arrival],
    place: usize,
    doubtful: Range<usize>,
    step_us: f64,
    period_s: f64,
    slack_us: f64,
) -> Option<Cut> {
    let first = &arrivals[place];
    let just_before =
        arrivals[..place].iter().rev().take_while(|a| a.device_s > first.device_s - LOOK_BACK_S);
    let last_us = just_before.map(Arrival::host_us).fold(arrivals[place - 1].host_us(), f64::max);
    let first_us = first.host_us();
    let passed_us = first_us - last_us;
    // A clock that stands still never goes back; one that is set back by more than packets come apart does.
    let slept = step_us < 0.0 && passed_us >= -slack_us && passed_us < AWAKE_US && -step_us > 2e6 * period_s;
    if slept {
        // What came while it slept is stamped as it wakes, and falls from the old level to the new one: it says nothing
        // of the old clock, and is but late by the new one.
        let of_burst = |a: &&Arrival| a.host_us() > first_us - BURST_US;
        let burst = arrivals[..place].iter().rev().take_while(of_burst).count();
        let place = place.checked_sub(burst).filter(|&place| place > 0)?;
        return Some(Cut {
            place,
            resume: place,
            step_us,
            cause: Cause::HostSuspend,
            doubtful: false,
            before_until_us: first_us + slack_us,
            after_from_us: arrivals[place - 1].host_us() - slack_us,
        });
    }
    let Range { start: place, end: resume } = doubtful;
    let last_before_us = if place < resume { arrivals[place - 1].host_us() } else { last_us };
    let first_after_us = arrivals.get(resume).map_or(first_us, Arrival::host_us);
    Some(Cut {
        place,
        resume,
        step_us,
        cause: Cause::HostClockStep,
        doubtful: false,
        before_until_us: last_us.max(first_after_us - step_us) + slack_us,
        after_from_us: first_us.min(last_before_us + step_us) - slack_us,
    })
}
