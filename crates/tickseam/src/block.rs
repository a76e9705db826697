//! From arrivals to bounds: a few seconds of packets give one upper and at most one lower bound on the clock.
//!
//! Let u(x) be the host time at which a packet whose first sample was taken at device time x could arrive at the
//! soonest. Every arrival bounds it from above, always. From below it is bounded only by what the link is known
//! to do, and that depends on its kind: on a grid of period C, a packet that left at its first chance was not
//! ready one C earlier; elsewhere, delays that return to their minimum do so to within what the minima scatter by.

use heapless::Vec;

use crate::lattice::{AGREEMENT, Detector, INTERVAL_STEP_US, TOOTH, nominal, usual};
use crate::number::{between, count, greater, lesser, magnitude, single};
use crate::setup::Setup;
use crate::unseen::Unseen;

/// Arrivals held until their block closes.
const ENTRIES: usize = 108;
/// A block closes after this long if it holds [`ENOUGH`] packets, s: short against a crystal's changes.
const SPAN_S: f64 = 2.0;
const ENOUGH: usize = 48;
/// A block closes after this long in any case, s.
const LONGEST_S: f64 = 16.0;
/// Arrivals closer than this belong to one delivery, µs: longer than one Bluetooth LE exchange of 251-octet
/// packets with its inter-frame spaces (2,120 + 2 · 150 + 80 µs on LE 1M), shorter than any interval.
pub(crate) const DELIVERY_US: f64 = 2_600.0;
/// Packets that come closer than this on average did not come straight from a radio, µs: two of the shortest take 388 µs on LE 2M with the spaces around
/// them (2 · 44 + 2 · 150; Bluetooth Core, Vol 6 Part B, 2.2 and 4.1), and half of the difference is left to stamps.
const BUNCHED_US: f64 = 300.0;
/// Packets that came longer than this after the first belong to another delivery, µs: common practice limits a
/// connection event to less (no source).
const LONGEST_DELIVERY_US: f64 = 12_000.0;
/// Rates of the radio's clock against the host's that are possible before any is measured, ppm: two crystals of
/// 50 ppm each, and as much again, since a microcontroller's radio has been seen 81 ppm off.
const STRETCH_PPM: f64 = 200.0;
/// The same for a period that was found and is not one that a standard names, ppm: the search's own step.
const FOUND_STRETCH_PPM: f64 = 3_000.0;
/// How close to an interval that Bluetooth LE allows a period has to be to be taken for it, ppm: as far as two crystals differ as a rule.
const STANDARD_PPM: f64 = 100.0;
/// Scatter of the grid's phase before any is measured, µs.
const PHASE_SD_US: f64 = 250.0;
/// Mean lateness against the grid, as a share of its period, up to which its instants bound from above.
const TIGHT: f64 = 0.02;
/// The same up to which packets of one instant are taken to have been sent in one go.
const GROUPED_TIGHT: f64 = 0.05;
/// Share of the period after the grid's instants from which on a packet came between them, where half as much is more than the mean lateness.
const BESIDE: f64 = 0.125;
/// An arrival later than this share of the period after the earliest is off the grid, and a block with more than that
/// share of them does not fit it: arrivals that know nothing of the grid would be 0.6 of them.
const OFF_GRID_LATENESS: f64 = 0.4;
const OFF_GRID_SHARE: f64 = 0.55;
/// Mean lateness against the grid, as a share of its period, from which on it is asked whether the arrivals know of it: half the
/// period is what they have that do not.
const SPREAD: f64 = 0.25;
/// Longest period of a grid, µs: an app that collects packets for longer stamps them to no purpose.
const LONGEST_GRID_US: f64 = 2_000_000.0;
/// Blocks in a row that keep to every second (third, …) instant before the interval is doubled (trebled, …).
const SKIPPING: u8 = 3;
/// Where packets come this close to an even number of intervals apart, they keep to every second instant by nature.
const BY_NATURE: f64 = 0.02;
/// Blocks in a row that do not fit before the grid is given up.
const MISFITS: u8 = 4;
/// Share of late packets above which a block's lower bound is not believed: half of them are late where the grid's period is
/// but half of the true one. A link that fails three times in ten stays below.
const LATE_SHARE: f64 = 0.36;
/// Packets of one delivery above which an app may have collected them: a late-heavy block says nothing then, and a grid of a
/// period that no connection has is the app's.
pub(crate) const SHARED: f64 = 1.2;
/// Factor by which an interval that late packets agree with has to be longer than the one found to be another.
pub(crate) const PART: f64 = 1.5;
/// Deliveries led by the stream's own packets from which on these alone tell the phase.
const LEADS_NEEDED: u32 = 3;
/// Standard deviations of the phase by which the grid may be off in one block.
const PHASE_REACH: f64 = 4.0;
/// Anchors from which the radio's rate is measured.
pub(crate) const ANCHORS: usize = 12;

/// The same before a grid tells how far arrivals may lie before its instants.
const ANCHORS_FOR_EARLY: usize = 4;
/// The same before the rate says anything of the period.
const ANCHORS_FOR_RATE: usize = 4;
/// The same before a rate that no clock has makes a period of its own.
const ANCHORS_FOR_OWN: usize = 6;
/// Packets of a block that are compared with each other, about.
const COMPARED: usize = 32;
/// Pairs of them that waited differently, for a period to be judged by them.
const FAR_NEEDED: usize = 24;
/// Periods that are compared with the grid's, at the most: all that a usual grid may have, and up to 180 ms. Of a longer one, each second,
/// third, … multiple of the step is tried; a block holds so few of its periods that its neighbours agree as well.
const CANDIDATES: i64 = 32;
/// By how much another period has to agree better than the grid's to displace it.
const CLEARLY: f64 = 0.2;

/// A straight line that residuals are taken against: the working frame, not an estimate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WorkingLine {
    /// Device time at which the line has `offset_us`, s.
    pub origin_s: f64,
    /// Host residual there, µs.
    pub offset_us: f64,
    /// Slope, µs of host residual a second: ppm.
    pub rate_ppm: f64,
}

impl WorkingLine {
    /// The line's residual at `device_s`, µs.
    pub fn at(&self, device_s: f64) -> f64 {
        self.offset_us + self.rate_ppm * (device_s - self.origin_s)
    }
}

/// One packet's stamp: when its first sample was taken, and how much later than nominal the host stamped it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrival {
    /// Device time of the first sample, s since the device origin at the nominal rate.
    pub device_s: f64,
    /// Host stamp since the host origin, less `device_s`, µs.
    pub residual_us: f64,
    /// How much later it was stamped than the first packet of the same delivery, of whatever stream, µs: see [`Deliveries`].
    /// 0 for a packet that came alone, or where nobody looked.
    pub behind_us: f64,
}

impl Arrival {
    /// One of which nothing is known but its stamp.
    pub const fn new(device_s: f64, residual_us: f64) -> Self {
        Self { device_s, residual_us, behind_us: 0.0 }
    }

    /// The same, stamped `behind_us` after the first packet of its delivery.
    pub fn behind(self, behind_us: f32) -> Self {
        Self { behind_us: f64::from(behind_us), ..self }
    }

    /// The same, its device time counted from an origin `earlier_s` before its own.
    #[must_use]
    pub fn since_earlier(self, earlier_s: f64) -> Self {
        let residual_us = self.residual_us - earlier_s * 1e6;
        Self { device_s: self.device_s + earlier_s, residual_us, ..self }
    }

    /// Host time since the origin, µs.
    pub fn host_us(&self) -> f64 {
        self.residual_us + self.device_s * 1e6
    }
}

/// Finds the packets that came in one go. A link that sends packets of several streams at one instant delivers them one after
/// the other, and only the first tells when that was: give it the stamps of all streams in the order of reception.
#[derive(Clone, Copy, Debug)]
pub struct Deliveries {
    first_ns: i64,
    last_ns: i64,
}

impl Default for Deliveries {
    fn default() -> Self {
        Self { first_ns: i64::MIN, last_ns: i64::MIN }
    }
}

impl Deliveries {
    /// Takes a packet's stamp; returns how much later it is than that of the first packet of its delivery, µs.
    pub fn observe(&mut self, host_ns: i64) -> f64 {
        let since_us = |before_ns: i64| crate::number::difference(host_ns, before_ns) / 1e3;
        if !same_delivery(since_us(self.last_ns), since_us(self.first_ns)) {
            self.first_ns = host_ns;
        }
        self.last_ns = host_ns;
        since_us(self.first_ns)
    }
}

/// Whether a packet belongs to the delivery under way: times since the packet before and since the first of them, µs.
fn same_delivery(since_last_us: f64, since_first_us: f64) -> bool {
    (0.0..DELIVERY_US).contains(&since_last_us) && since_first_us < LONGEST_DELIVERY_US
}

/// Packets of one stream that came in one go.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Together {
    /// The one with the least residual: the newest.
    pub(crate) newest: Arrival,
    pub(crate) packets: u32,
    /// How much later than the first of them it was stamped, µs.
    pub(crate) took_us: f64,
}

/// Goes through packets in the order of reception, those at a time that came in one go.
#[derive(Clone, Debug)]
pub(crate) struct Gathered<'a> {
    arrivals: core::iter::Peekable<core::slice::Iter<'a, Arrival>>,
}

impl<'a> Gathered<'a> {
    pub(crate) fn new(arrivals: &'a [Arrival]) -> Self {
        Self { arrivals: arrivals.iter().peekable() }
    }
}

impl Iterator for Gathered<'_> {
    type Item = Together;

    #[inline(never)]
    fn next(&mut self) -> Option<Together> {
        let &first = self.arrivals.next()?;
        let first_us = first.host_us();
        let mut last_us = first_us;
        let mut together = Together { newest: first, packets: 1, took_us: 0.0 };
        while let Some(&&arrival) = self.arrivals.peek() {
            let host_us = arrival.host_us();
            if !same_delivery(host_us - last_us, host_us - first_us) {
                break;
            }
            let _ = self.arrivals.next();
            last_us = host_us;
            together.packets = together.packets.saturating_add(1);
            if arrival.residual_us < together.newest.residual_us {
                (together.newest, together.took_us) = (arrival, host_us - first_us);
            }
        }
        Some(together)
    }
}

/// A bound on the residual at one device time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bound {
    /// Device time, s.
    pub at_s: f64,
    /// Residual, µs.
    pub residual_us: f64,
}

/// What a block of arrivals says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Block {
    /// Device time of the first packet, s.
    pub from_s: f64,
    /// Device time of the last packet, s.
    pub to_s: f64,
    /// Packets in the block.
    pub packets: u16,
    /// Deliveries that the packets came in.
    pub deliveries: u16,
    /// How far apart packets that came in one go were stamped, on average, µs; 0 where none did.
    pub apart_us: f64,
    /// Packets on the grid's first chance; all of them where there is no grid.
    pub on_time: u16,
    /// What every arrival proves.
    pub upper: Bound,
    /// The part of it that rests on no grid: the least stamp.
    pub stamped: Bound,
    /// How much later than the first packet of its delivery the packet of that stamp came, µs.
    pub behind_us: f64,
    /// The same for the packet of [`minimum`](Self::minimum), after the first packet at its instant of the grid.
    pub behind_first_us: f64,
    /// Mean lateness of deliveries after the grid's instants, µs.
    pub lateness_us: f64,
    /// Least residual of a packet's *delivery*: the stamp of the first packet that came with it. A packet that became
    /// ready while others were being sent is stamped later than it would have been alone, by their time on the air.
    pub minimum: Bound,
    /// What the grid proves; `None` where there is no grid or too few packets were on time.
    pub lower: Option<Bound>,
    /// What it says if all goes as it mostly does: the same, or higher where most packets are late.
    pub likely: Option<Bound>,
    /// Period of the grid that the bounds rest on, µs; 0 where there is none.
    pub interval_us: f64,
    /// Rate of the grid against the host clock, ppm.
    pub stretch_ppm: f64,
    /// Slope of the working line that the block was taken against, ppm.
    pub rate_ppm: f64,
    /// Sixteenths of the host's step that packets met when they could arrive at the soonest, the lowest bit the first; 0 where the step
    /// is too fine to matter, or is none that the stamps keep to.
    pub met: u16,
    /// The grid's phase jumped inside this block: it bounds from above only.
    pub rephased: bool,
    /// Arrivals in this block did not fit the grid.
    pub off_grid: bool,
    /// The packet of the least stamp came first of all at the grid's instant that it belongs to.
    pub leads: bool,
}

impl Block {
    /// Times between two packets that came in one go.
    pub(crate) fn times_between(&self) -> f64 {
        f64::from(self.packets.saturating_sub(self.deliveries))
    }

    /// Whether so many packets came together that an app may have collected them.
    pub(crate) fn shares_deliveries(&self) -> bool {
        f64::from(self.packets) > SHARED * f64::from(self.deliveries)
    }
}

/// Whether packets that were stamped so far apart in one go, on average, were collected by something that is no radio.
pub(crate) fn bunched(apart_us: f64) -> bool {
    apart_us < BUNCHED_US
}

/// What a link does with its grid's instants, summed over blocks.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Use {
    packets: u32,
    late: u32,
    /// Deliveries that more would have had room for, less those that came.
    room: f32,
}

/// Share of the instants below which a grid has room for the packets that did not come, and packets that tell.
const ROOM: f64 = 0.8;
const USE_NEEDED: u32 = 1_000;

impl Use {
    pub(crate) fn add(&mut self, block: &Block) {
        if block.interval_us > 0.0 && !block.off_grid {
            let instants = (block.to_s - block.from_s) * 1e6 / block.interval_us + 1.0;
            self.packets = self.packets.saturating_add(u32::from(block.packets));
            self.late = self.late.saturating_add(u32::from(block.packets.saturating_sub(block.on_time)));
            self.room += single(ROOM * instants - f64::from(block.deliveries));
        }
    }

    /// Whether all packets that came were on time though there was room for those that did not: the link does not send again, and its losses
    /// tell of no queue. `late_share` of them may seem late, since those of the latest phases do.
    pub(crate) fn never_again(&self, late_share: f64) -> bool {
        self.packets >= USE_NEEDED
            && f64::from(self.late) < late_share * f64::from(self.packets)
            && self.room > 0.0
    }
}

/// Host steps from which on it is asked what parts of them the packets met, µs.
const COARSE_US: f64 = 50.0;
/// Stamps that show whether they keep to a step.
const STAMPS_NEEDED: usize = 6;
/// Share of a step that packets of a block may leave unmet and still count as having met it: a few phases alone may be those of packets that are
/// always late.
const MOST_UNMET: f64 = 0.25;
/// Parts of a step that are told apart.
const PARTS: u32 = 16;

/// The one of so many equal parts of a turn in which so many turns end, from 0.
#[inline(never)]
pub(crate) fn part_of_turn(turns: f64, parts: u32) -> u32 {
    let part = libm::floor((turns - libm::floor(turns)) * f64::from(parts));
    u32::try_from(crate::number::nearest(part)).unwrap_or(0).checked_rem(parts).unwrap_or(0)
}

/// The longest run of bits that are set, around the end.
#[inline(never)]
pub(crate) fn longest_run(mut bits: u64) -> u32 {
    let mut longest = 0_u32;
    while bits != 0 && longest < u64::BITS {
        bits &= bits.rotate_left(1);
        longest = longest.saturating_add(1);
    }
    longest
}

/// The part of a step in which so many steps end, as a bit.
pub(crate) fn part_of_step(steps: f64) -> u16 {
    1_u16.rotate_left(part_of_turn(steps, PARTS))
}

/// How much of a step was met by no packet at a stretch, at the most, of the sixteenths that were met.
#[inline(never)]
pub(crate) fn unmet_us(met: u16, step_us: f64) -> f64 {
    // The step after one is the next one.
    let around = u64::from(met).wrapping_mul(0x0001_0001_0001_0001);
    let longest = longest_run(!around);
    // The packets at both ends of the stretch may be anywhere in their own parts.
    step_us * between(f64::from(longest.saturating_add(1)) / f64::from(PARTS), 0.0, 1.0)
}

/// By how much the least stamps lie below what they would be without rounding, at the least, where the packets of a block met all parts of the
/// host's step, µs.
pub(crate) fn lifted_us(block: &Block, setup: &Setup) -> f64 {
    let (step_us, unmet_us) = (setup.host_step_us(), unmet_us(block.met, setup.host_step_us()));
    if unmet_us > MOST_UNMET * step_us {
        0.0
    } else {
        greater(step_us - unmet_us - setup.device_step_us, 0.0)
    }
}

/// What is known beforehand of the period of a link's grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Nominal period, µs.
    pub period_us: f64,
    /// Rate of the grid against the host clock, ppm: positive if its periods are longer than nominal.
    pub stretch_ppm: f64,
    /// How far the rate may be off, ppm.
    pub stretch_u_ppm: f64,
    /// By how much the grid's phase scatters from block to block, µs.
    pub phase_sd_us: f64,
}

impl Interval {
    /// An interval that someone declared, in the radio's own time.
    pub const fn declared(period_us: f64) -> Self {
        Self { period_us, stretch_ppm: 0.0, stretch_u_ppm: STRETCH_PPM, phase_sd_us: PHASE_SD_US }
    }

    /// An interval found in the arrivals, to the nearest candidate.
    fn found(period_us: f64) -> Self {
        Self { stretch_u_ppm: farthest_ppm(period_us), ..Self::declared(period_us) }
    }
}

/// How far a grid's rate may be off before any is measured, ppm.
fn farthest_ppm(period_us: f64) -> f64 {
    if nominal(period_us) { STRETCH_PPM } else { FOUND_STRETCH_PPM }
}

/// The grid of a link's instants in host time.
#[derive(Clone, Debug)]
struct Grid {
    interval_us: f64,
    stretch_ppm: f64,
    stretch_u_ppm: f64,
    reset_u_ppm: f64,
    phase_sd_us: f64,
    /// By how much an arrival may lie before the instant that it belongs to, µs.
    early_us: f64,
    anchor_us: f64,
    anchor_number: i64,
    anchors: Vec<(f64, f64), ANCHORS>,
    placed: bool,
    misfits: u8,
    /// Blocks in a row whose deliveries kept to every second, third, … instant.
    skipping: u8,
    /// The last block's arrivals were spread over all of the period, and knew nothing of it.
    doubted: bool,
}

impl Grid {
    const fn new(interval: Interval) -> Self {
        Self {
            interval_us: interval.period_us,
            stretch_ppm: interval.stretch_ppm,
            stretch_u_ppm: interval.stretch_u_ppm,
            reset_u_ppm: interval.stretch_u_ppm,
            phase_sd_us: interval.phase_sd_us,
            early_us: interval.period_us / 4.0,
            anchor_us: 0.0,
            anchor_number: 0,
            anchors: Vec::new(),
            placed: false,
            misfits: 0,
            skipping: 0,
            doubted: false,
        }
    }

    fn period_us(&self) -> f64 {
        self.interval_us * (1.0 + self.stretch_ppm * 1e-6)
    }

    /// The grid's instant at or just before an arrival, or as far after it as the phase may be off.
    fn instant(&self, host_us: f64) -> (i64, f64) {
        let early = between(self.early_us / self.interval_us, 0.02, 0.25);
        let turns = libm::floor((host_us - self.anchor_us) / self.period_us() + early);
        (crate::number::nearest(turns), self.anchor_us + turns * self.period_us())
    }

    /// Whether an instant that is known lies between two stamps: then they are of two deliveries, the first of which came late.
    fn parts(&self, before_us: f64, after_us: f64) -> bool {
        self.anchors.len() >= ANCHORS_FOR_EARLY && self.instant(before_us).0 < self.instant(after_us).0
    }

    /// Whether the rate measured is one that no two clocks differ by.
    fn impossible(&self) -> bool {
        self.anchors.len() >= ANCHORS_FOR_RATE
            && magnitude(self.stretch_ppm) > farthest_ppm(self.interval_us) + self.stretch_u_ppm
    }

    /// The interval that Bluetooth LE allows which a period of no standard's turns out to be, once its rate is known: what led away from it were stamps
    /// that came late.
    fn standard_us(&self) -> Option<f64> {
        let period_us = self.period_us();
        let standard_us = libm::round(period_us / INTERVAL_STEP_US) * INTERVAL_STEP_US;
        let near = magnitude(period_us - standard_us) < STANDARD_PPM * 1e-6 * standard_us;
        (self.anchors.len() >= ANCHORS_FOR_OWN && near && usual(standard_us) && !nominal(self.interval_us))
            .then_some(standard_us)
    }

    /// Takes a period that was found, from an anchor on.
    fn lay_anew(&mut self, period_us: f64, anchor_us: f64) {
        let misfits = self.misfits;
        *self = Self { anchor_us, placed: true, misfits, ..Self::new(Interval::found(period_us)) };
    }

    /// Begins to measure the rate anew.
    fn forget_rate(&mut self) {
        self.anchors.clear();
        (self.stretch_ppm, self.stretch_u_ppm) = (0.0, self.reset_u_ppm);
    }

    /// Moves the anchor to a better one and measures the radio's rate over the last anchors.
    fn settle(&mut self, number: i64, shift_us: f64, scale_us: f64) {
        let (from, period) = (self.anchor_us, self.period_us());
        let steps = crate::number::float(number);
        self.anchor_us = from + steps * period + shift_us;
        self.anchor_number = self.anchor_number.saturating_add(number);
        let phase = self.anchor_us - crate::number::float(self.anchor_number) * self.interval_us;
        if self.anchors.is_full() {
            self.anchors.rotate_left(1);
            let _ = self.anchors.pop();
        }
        let _ = self.anchors.push((self.anchor_us, phase));
        let n = count(self.anchors.len());
        if n < 3.0 {
            return;
        }
        let (mut host_mean, mut phase_mean) = (0.0, 0.0);
        for &(h, p) in &self.anchors {
            host_mean += h / n;
            phase_mean += p / n;
        }
        let (mut spread, mut joint, mut scatter) = (0.0, 0.0, 0.0);
        for &(h, p) in &self.anchors {
            spread += (h - host_mean) * (h - host_mean);
            joint += (h - host_mean) * (p - phase_mean);
        }
        if spread <= 0.0 || spread.is_nan() {
            return;
        }
        let slope = joint / spread;
        for &(h, p) in &self.anchors {
            let off = p - phase_mean - slope * (h - host_mean);
            scatter += off * off;
        }
        let sd = libm::sqrt(scatter / (n - 2.0)) + scale_us;
        if n >= 4.0 {
            self.phase_sd_us = sd;
        }
        self.stretch_ppm = slope * 1e6;
        let u = 3.0 * sd / libm::sqrt(spread) * 1e6 + 0.5;
        self.stretch_u_ppm = if u < self.stretch_u_ppm || n >= 6.0 { u } else { self.stretch_u_ppm };
    }
}

/// How long after the grid's instants deliveries came, µs.
#[derive(Clone, Copy, Debug)]
struct Phase {
    least: f64,
    second: f64,
    /// The instant of the least.
    number: i64,
    sum: f64,
    n: u32,
}

impl Phase {
    const EMPTY: Self = Self { least: f64::INFINITY, second: f64::INFINITY, number: 0, sum: 0.0, n: 0 };

    fn observe(&mut self, after_us: f64, number: i64) {
        if after_us < self.least {
            self.second = self.least;
            self.least = after_us;
            self.number = number;
        } else if after_us < self.second {
            self.second = after_us;
        }
        self.sum += after_us;
        self.n = self.n.saturating_add(1);
    }
}

#[derive(Clone, Copy, Debug)]
struct Entry {
    /// Device time since the block's first packet, s.
    at_s: f32,
    /// Stamp against the working line, µs above the block's reference.
    stamp_us: f32,
    /// Stamp of the first packet of the delivery, likewise.
    delivery_us: f32,
    /// The grid's instant that the delivery belongs to against the working line, likewise; NaN without a grid.
    instant_us: f32,
    /// No other packet came with the same instant before.
    first: bool,
}

impl Entry {
    /// How long it waited for the grid beyond a packet whose instant lies at `base`, whatever it was late by, µs; NaN for one that did not wait.
    #[inline(never)]
    fn phase(&self, base: f64, interval_us: f64) -> f64 {
        let above = f64::from(self.instant_us) - base;
        above - libm::floor(above / interval_us) * interval_us
    }

    /// Whether it came more than so much after the instant that it belongs to, µs.
    #[inline(never)]
    fn is_beside(&self, us: f32) -> bool {
        self.delivery_us - self.instant_us > us
    }
}

/// Collects arrivals into blocks; causal, bounded, O(1) for each packet but the one that closes a block.
#[derive(Clone, Debug)]
pub struct Blocks {
    line: WorkingLine,
    resolution_us: f64,
    host_step_us: f64,
    entries: Vec<Entry, ENTRIES>,
    from_s: f64,
    reference_us: f64,
    last_host_us: f64,
    /// Stamp of this stream's first packet of the delivery, and how far it came behind the first of all streams.
    own_first_us: f64,
    behind_us: f64,
    grid: Option<Grid>,
    given: Option<Interval>,
    last_number: i64,
    /// What the first packets of their deliveries say of the grid's phase, and those of them that came before any other stream's.
    firsts: Phase,
    leads: Phase,
    deliveries: u16,
    /// Sum of the times between packets that came in one go, µs.
    apart_us: f32,
    /// Deliveries at instants of an odd number, and the first such number in the block.
    odd: u32,
    first_number: i64,
    /// The number of the delivery before, and the greatest common divisor of all steps from one to the next.
    before_number: i64,
    common_step: u64,
    wide_z: u32,
    /// See [`sooner_us`](Blocks::sooner_us).
    sooner_us: f32,
    late_share: f64,
    lateness_us: f64,
    detector: Detector,
    /// A grid was found, whatever became of it.
    found: bool,
    /// The interval that was given did not fit what came.
    given_refuted: bool,
    unseen: Unseen,
    /// The interval was declared, not found.
    declared: bool,
    period_s: f64,
}

impl Blocks {
    /// For what is known of the stamps and the packets, on a link whose interval is known or not: the setup's own only tells
    /// whether that one was declared.
    pub fn new(line: WorkingLine, setup: &Setup, interval: Option<Interval>) -> Self {
        let grid = interval.map(Grid::new);
        Self {
            line,
            resolution_us: setup.resolution_us,
            host_step_us: setup.host_step_us(),
            entries: Vec::new(),
            from_s: 0.0,
            reference_us: 0.0,
            last_host_us: f64::NEG_INFINITY,
            own_first_us: 0.0,
            behind_us: 0.0,
            grid,
            given: interval,
            last_number: i64::MIN,
            firsts: Phase::EMPTY,
            leads: Phase::EMPTY,
            deliveries: 0,
            apart_us: 0.0,
            odd: 0,
            first_number: 0,
            before_number: 0,
            common_step: 0,
            wide_z: 0,
            sooner_us: 0.0,
            late_share: 0.1,
            lateness_us: 0.0,
            detector: Detector::new(setup.resolution_us),
            found: false,
            given_refuted: false,
            unseen: Unseen::new(setup.period_s),
            declared: interval.is_some_and(|i| setup.interval_us == Some(i.period_us)),
            period_s: setup.period_s,
        }
    }

    /// Moves the working frame; takes effect from the next block.
    pub fn follow(&mut self, line: WorkingLine) {
        if self.entries.is_empty() {
            self.line = line;
        }
    }

    /// The grid that is believed in.
    #[inline(never)]
    pub fn interval(&self) -> Option<Interval> {
        self.grid.as_ref().map(|g| Interval {
            period_us: g.interval_us,
            stretch_ppm: g.stretch_ppm,
            stretch_u_ppm: g.stretch_u_ppm,
            phase_sd_us: g.phase_sd_us,
        })
    }

    /// Whether a grid was found in the arrivals at any time.
    pub fn found_a_grid(&self) -> bool {
        self.found
    }

    /// Period of the longest grid that the packets may be locked to without showing it, µs; 0 where there can be none.
    pub(crate) fn unseen_interval_us(&self, loses_polls: bool) -> f64 {
        self.unseen.interval_us(loses_polls)
    }

    /// Whether several packets come at once often enough that they may have waited for each other.
    pub(crate) fn shares_deliveries(&self) -> bool {
        self.unseen.grouped()
    }

    /// The interval that late packets agree with, µs, where the one found is but a part of it: none that Bluetooth LE allows, and
    /// shorter.
    pub(crate) fn found_a_part_of_us(&self) -> Option<f64> {
        let found_us = self.grid.as_ref().map(|g| g.interval_us).filter(|_| self.found)?;
        self.unseen.hinted_us().filter(|&hinted_us| !nominal(found_us) && hinted_us > PART * found_us)
    }

    /// By how much, in the block that was closed last, packets between the grid's instants came sooner than any at them, µs; 0 where none did.
    /// Such packets did not wait for the grid, and those that did were ready later than they might have been by as much.
    pub(crate) fn sooner_us(&self) -> f64 {
        f64::from(self.sooner_us)
    }

    /// Mean lateness of deliveries on the grid, of late, µs.
    pub(crate) fn lateness_us(&self) -> f64 {
        self.lateness_us
    }

    /// Whether twice the found period would explain the arrivals too.
    pub(crate) fn doubled_fits(&self) -> bool {
        self.grid.as_ref().is_some_and(|g| self.detector.doubled_fits(g.interval_us))
    }

    /// Whether the interval given at the start was contradicted by the arrivals.
    pub fn given_refuted(&self) -> bool {
        self.given_refuted
    }

    /// Closes the block under way if an arrival does not belong to it.
    pub fn close_before(&mut self, arrival: &Arrival) -> Option<Block> {
        let elapsed = arrival.device_s - self.from_s;
        let elapsed = if elapsed < 0.0 { -elapsed } else { elapsed };
        let due = self.entries.is_full()
            || elapsed > LONGEST_S
            || (elapsed > SPAN_S && self.entries.len() >= ENOUGH);
        if due { self.close() } else { None }
    }

    /// Takes one arrival into the block under way: call [`close_before`](Self::close_before) first.
    pub fn observe(&mut self, arrival: Arrival) {
        if self.entries.is_empty() {
            self.from_s = arrival.device_s;
            self.reference_us = arrival.residual_us;
        }
        let host_us = arrival.host_us();
        let since_last_us = host_us - self.last_host_us;
        let same = same_delivery(since_last_us, host_us - self.own_first_us)
            && !self.grid.as_ref().is_some_and(|grid| grid.parts(self.own_first_us, host_us));
        self.last_host_us = host_us;
        self.apart_us += if same { single(since_last_us) } else { 0.0 };
        if !same {
            self.deliveries = self.deliveries.saturating_add(1);
            self.own_first_us = host_us;
            self.behind_us = arrival.behind_us;
            self.detector.observe(host_us, arrival.residual_us - self.line.at(arrival.device_s));
            self.search();
        }
        let line_us = self.line.at(arrival.device_s) - self.line.at(self.from_s) + self.reference_us;
        let (mut instant_us, mut leads) = (f32::NAN, false);
        let mut first_us = self.own_first_us;
        if let Some(grid) = &mut self.grid {
            if !grid.placed {
                grid.placed = true;
                grid.anchor_us = host_us;
            }
            let (number, instant) = grid.instant(self.own_first_us);
            // What led the delivery may itself have been held back from an earlier instant.
            let others_first_us = self.own_first_us - self.behind_us;
            let led = self.behind_us > 0.0 && grid.instant(others_first_us).0 == number;
            if led {
                first_us = others_first_us;
            }
            let z = first_us - instant;
            let first = !same && number != self.last_number;
            leads = first && !led;
            self.last_number = number;
            instant_us = single(instant - arrival.device_s * 1e6 - line_us);
            if first {
                // Else not the delivery's first, or a second delivery for the same instant: nothing new of the phase.
                if leads {
                    self.leads.observe(z, number);
                }
                let absolute = grid.anchor_number.wrapping_add(number);
                if self.firsts.n == 0 {
                    self.first_number = number;
                } else {
                    self.common_step = common_divisor(self.common_step, number.abs_diff(self.before_number));
                }
                self.before_number = number;
                self.odd = self.odd.saturating_add(u32::from(absolute & 1 != 0));
                self.firsts.observe(z, number);
                if z - self.firsts.least > OFF_GRID_LATENESS * grid.interval_us {
                    self.wide_z = self.wide_z.saturating_add(1);
                }
            }
        }
        let _ = self.entries.push(Entry {
            at_s: single(arrival.device_s - self.from_s),
            stamp_us: single(arrival.residual_us - line_us),
            delivery_us: single(arrival.residual_us - line_us - (host_us - first_us)),
            instant_us,
            first: leads,
        });
    }

    /// Looks for a grid where there is none, and for another where there is one that the arrivals know nothing of.
    fn search(&mut self) {
        if self.grid.as_ref().is_some_and(|g| !g.doubted) {
            return;
        }
        let Some(period_us) = self.detector.search(self.period_s * 1e6) else { return };
        if let Some(had_us) = self.grid.as_ref().map(|g| g.interval_us) {
            if period_us < had_us * TOOTH && period_us * TOOTH > had_us {
                return;
            }
            self.given_is_refuted(had_us);
        }
        self.found = true;
        self.grid = Some(Grid::new(Interval::found(period_us)));
    }

    /// Gives up an interval that was given, if the grid of this period was of that.
    fn given_is_refuted(&mut self, period_us: f64) {
        if self.given.is_some_and(|g| g.period_us == period_us) {
            self.given_refuted = true;
            self.declared = false;
        }
    }

    /// Closes the block under way, if it holds anything.
    pub fn close(&mut self) -> Option<Block> {
        let mut block = self.plain()?;
        self.sooner_us = 0.0;
        let least =
            self.entries.iter().map(|e| e.stamp_us).fold(f32::INFINITY, |a, b| if b < a { b } else { a });
        self.unseen.observe(
            (block.from_s, block.to_s),
            block.deliveries,
            self.entries.iter().map(|e| e.stamp_us - least),
        );
        if let Some(mut grid) = self.grid.take() {
            if self.firsts.n > 0 {
                self.judge(&mut block, &mut grid);
            }
            if grid.misfits < MISFITS {
                self.grid = Some(grid);
            } else {
                self.given_is_refuted(grid.interval_us);
            }
        }
        self.entries.clear();
        self.firsts = Phase::EMPTY;
        self.leads = Phase::EMPTY;
        self.deliveries = 0;
        self.apart_us = 0.0;
        self.odd = 0;
        self.common_step = 0;
        // Numbers count from the anchor, which has moved.
        self.last_number = i64::MIN;
        self.wide_z = 0;
        Some(block)
    }

    /// Residual, against the host's nominal time, of something `us` above the block's reference line at `at_s` into the block.
    fn absolute(&self, at_s: f32, us: f64) -> Bound {
        let at_s = self.from_s + f64::from(at_s);
        Bound { at_s, residual_us: us + self.line.at(at_s) - self.line.at(self.from_s) + self.reference_us }
    }

    /// What the stamps say without any grid.
    fn plain(&self) -> Option<Block> {
        let first = self.entries.first()?;
        let (mut least, mut alone, mut to_s) = (*first, *first, first.at_s);
        for entry in &self.entries {
            if entry.stamp_us < least.stamp_us {
                least = *entry;
            }
            if entry.delivery_us < alone.delivery_us {
                alone = *entry;
            }
            to_s = if entry.at_s > to_s { entry.at_s } else { to_s };
        }
        let upper = self.absolute(least.at_s, f64::from(least.stamp_us));
        let n = u16::try_from(self.entries.len()).unwrap_or(u16::MAX);
        Some(Block {
            from_s: self.from_s,
            to_s: self.from_s + f64::from(to_s),
            packets: n,
            deliveries: self.deliveries,
            apart_us: f64::from(self.apart_us) / greater(f64::from(n.saturating_sub(self.deliveries)), 1.0),
            on_time: n,
            upper: Bound { residual_us: upper.residual_us + self.resolution_us, ..upper },
            stamped: Bound { residual_us: upper.residual_us + self.resolution_us, ..upper },
            behind_us: f64::from(least.stamp_us) - f64::from(least.delivery_us),
            behind_first_us: 0.0,
            lateness_us: 0.0,
            minimum: self.absolute(alone.at_s, f64::from(alone.delivery_us)),
            lower: None,
            likely: None,
            interval_us: 0.0,
            stretch_ppm: 0.0,
            rate_ppm: self.line.rate_ppm,
            met: self.met(),
            rephased: false,
            off_grid: false,
            leads: least.first,
        })
    }

    /// What parts of the host's step the packets met: [`Block::met`].
    #[inline(never)]
    fn met(&self) -> u16 {
        if self.host_step_us < COARSE_US || self.entries.len() < STAMPS_NEEDED {
            return 0;
        }
        let (mut met, mut stamped) = (0, 0);
        for entry in &self.entries {
            let at_s = self.from_s + f64::from(entry.at_s);
            let soonest_us = at_s * 1e6 + self.line.at(at_s);
            let stamp_us =
                soonest_us + f64::from(entry.stamp_us) - self.line.at(self.from_s) + self.reference_us;
            met |= part_of_step(soonest_us / self.host_step_us);
            stamped |= part_of_step(stamp_us / self.host_step_us);
        }
        // Whoever declares a coarser step than the stamps have wants to be on the safe side.
        let in_steps = (0..PARTS).any(|part| stamped & !3_u16.rotate_left(part) == 0);
        if in_steps { met } else { 0 }
    }

    /// If deliveries keep to every second, third, … instant though the packets' period gives them no reason to: which.
    #[inline(never)]
    fn skipped(&self, grid: &Grid) -> Option<f64> {
        let firsts = self.firsts.n;
        if firsts < 8 {
            return None;
        }
        let minority = self.minority();
        let every = if self.common_step >= 2 {
            count(usize::try_from(self.common_step).unwrap_or(usize::MAX))
        } else if firsts >= 24 && minority.saturating_mul(16) < firsts {
            2.0
        } else {
            return None;
        };
        let packets = count(self.entries.len().saturating_sub(1));
        let way = crate::number::difference(self.last_number, self.first_number);
        let whole = |steps: f64| {
            let turns = steps / every;
            crate::number::magnitude(turns - libm::round(turns)) < BY_NATURE
        };
        // As sent, and as far as they came.
        let by_nature = whole(self.period_s * 1e6 / grid.interval_us)
            || whole(way / if packets > 0.0 { packets } else { 1.0 });
        (!by_nature && every * grid.interval_us < LONGEST_GRID_US).then_some(every)
    }

    /// Deliveries at those of the grid's instants, the even or the odd ones, that fewer came at.
    fn minority(&self) -> u32 {
        let firsts = self.firsts.n;
        if self.odd.saturating_mul(2) > firsts { firsts.saturating_sub(self.odd) } else { self.odd }
    }

    /// Whether deliveries came at even and at odd instants alike, so that the grid's period is not half of the true one.
    fn meets_every_instant(&self) -> bool {
        self.firsts.n >= 24 && self.minority().saturating_mul(4) > self.firsts.n
    }

    /// Sharpens the bounds by the grid, and moves the grid on.
    fn judge(&mut self, block: &mut Block, grid: &mut Grid) {
        // Packets of another stream are on the air for another time: the phase is that of this stream's own, if they lead.
        let mut phase = if self.leads.n >= LEADS_NEEDED { self.leads } else { self.firsts };
        let n = f64::from(phase.n);
        // One arrival may carry a stamp that belongs to another instant: the phase is the second earliest's.
        if phase.second < f64::INFINITY {
            phase.least = phase.second;
        }
        let scale = phase.sum / n - phase.least;
        let settled = grid.anchors.len() >= 2;
        block.interval_us = grid.interval_us;
        block.lateness_us = scale;
        if self.change_period(grid) {
            block.off_grid = true;
            return;
        }
        if f64::from(self.wide_z) > OFF_GRID_SHARE * f64::from(self.firsts.n) && self.firsts.n >= 8 {
            block.off_grid = true;
            grid.misfits = grid.misfits.saturating_add(1);
            grid.settle(phase.number, phase.least, scale / n);
            return;
        }
        grid.doubted = scale > SPREAD * grid.interval_us && self.detector.knows_nothing_of(grid.interval_us);
        let span = block.to_s - block.from_s + 1.0;
        let shift = if phase.least < 0.0 { -phase.least } else { phase.least };
        let allowed = 300.0
            + 8.0 * (scale / n + grid.phase_sd_us)
            + 4.0 * grid.stretch_u_ppm * span
            + self.resolution_us;
        grid.early_us =
            if grid.anchors.len() >= ANCHORS_FOR_EARLY { allowed } else { grid.interval_us / 4.0 };
        if settled && shift > allowed {
            // A reconnection does this once. Over and over, it is no grid.
            grid.misfits = grid.misfits.saturating_add(1);
            block.rephased = true;
            grid.anchors.clear();
            grid.stretch_u_ppm = grid.reset_u_ppm;
            // A radio's rate goes on. One that three anchors on either side of a backlog have feigned would throw the grid off again
            // and again.
            if magnitude(grid.stretch_ppm) > farthest_ppm(grid.interval_us) {
                grid.stretch_ppm = 0.0;
            }
            grid.anchor_us = self.own_first_us;
            grid.anchor_number = 0;
            return;
        }
        grid.misfits = 0;
        if let Some(every) = self.skipped(grid) {
            block.off_grid = true;
            grid.skipping = grid.skipping.saturating_add(1);
            if grid.skipping >= SKIPPING {
                // The link has gone over to twice the interval, or more, or an app collects what comes.
                let interval =
                    Interval { period_us: every * grid.interval_us, ..Interval::declared(grid.interval_us) };
                *grid = Grid { anchor_us: grid.anchor_us, placed: true, ..Grid::new(interval) };
            } else {
                grid.settle(phase.number, phase.least, scale / n);
            }
            return;
        }
        grid.skipping = 0;
        let margin = grid.stretch_u_ppm * span + PHASE_REACH * grid.phase_sd_us;
        if settled && phase.least < -margin {
            // Stamps that belong to no instant: an app that was held up stamps when it pleases.
            phase.least = -margin;
        }
        // Where several packets share an instant, one of them may have become ready while others were sent.
        let n_grouped = self.entries.iter().filter(|e| !e.first).count();
        // Where arrivals spread widely after the grid's instants, a packet may have become ready after the instant.
        self.lateness_us += if grid.anchors.is_empty() { 1.0 } else { 0.2 } * (scale - self.lateness_us);
        let lateness = if scale > self.lateness_us { scale } else { self.lateness_us };
        let grouped = n_grouped.saturating_mul(20) > self.entries.len();
        let instants = if lateness < TIGHT * grid.interval_us && !grouped { margin } else { f64::INFINITY };
        let grouped = grouped && lateness < GROUPED_TIGHT * grid.interval_us;
        if settled && !grouped && scale < BESIDE / 2.0 * grid.interval_us {
            self.see_sooner(greater(grid.interval_us * BESIDE, DELIVERY_US) + phase.least);
        }
        self.see_behind(block);
        self.bound(block, grid.interval_us, margin, instants, grouped, (phase.least, scale / n));
        block.stretch_ppm = grid.stretch_ppm;
        grid.settle(phase.number, phase.least, scale / n);
    }

    /// Sees how far the least delayed packets came behind others at the same instant, which may take longer than a delivery does: a packet of several
    /// fragments, or many bytes, is on the air for milliseconds.
    fn see_behind(&self, block: &mut Block) {
        let least = |us: fn(&Entry) -> f32| {
            let entry = self.entries.iter().reduce(|a, b| if us(b) < us(a) { b } else { a });
            entry.map_or(0.0, |entry| self.behind_first_us(entry, us(entry)))
        };
        block.behind_first_us = least(|entry| entry.delivery_us);
        block.behind_us = greater(block.behind_us, least(|entry| entry.stamp_us));
    }

    /// How much later than the first packet at its instant something of a packet was stamped, which lies `us` above the reference, µs.
    fn behind_first_us(&self, entry: &Entry, us: f32) -> f64 {
        let rate = 1e6 + self.line.rate_ppm;
        let at_us = |e: &Entry, us: f32| f64::from(e.at_s) * rate + f64::from(us);
        let instant_us = at_us(entry, entry.instant_us);
        let at_once = |e: &&Entry| magnitude(at_us(e, e.instant_us) - instant_us) < SAME_INSTANT_US;
        let stamped_us = at_us(entry, us);
        let all = self.entries.iter().filter(at_once).map(|e| at_us(e, e.delivery_us));
        stamped_us - all.fold(stamped_us, lesser)
    }

    /// Sees packets that came more than `beside_us` after the grid's instants and yet sooner than all others: they belong to no instant. Where they
    /// begin or end the block, it is the grid whose phase jumped.
    fn see_sooner(&mut self, beside_us: f64) {
        let beside_us = single(beside_us);
        let beside = |e: &Entry| e.is_beside(beside_us);
        if self.entries.first().is_some_and(beside) || self.entries.last().is_some_and(beside) {
            return;
        }
        let (mut waited_us, mut sent_us) = (f32::INFINITY, f32::INFINITY);
        for entry in &self.entries {
            let least_us = if beside(entry) { &mut sent_us } else { &mut waited_us };
            if entry.delivery_us < *least_us {
                *least_us = entry.delivery_us;
            }
        }
        if sent_us < waited_us {
            self.sooner_us = waited_us - sent_us;
            for entry in &mut self.entries {
                if beside(entry) {
                    entry.instant_us = f32::NAN;
                }
            }
        }
    }

    /// Which period near the grid's explains a block's arrivals clearly better. Arrivals a few periods apart agree with the
    /// neighbours of the true period almost as well, and a grid that follows them at a rate of some percent fits them by chance;
    /// over a whole block only the true one fits. Cost: once a block until the grid's rate is known, O([`COMPARED`]²) for each of
    /// at most [`CANDIDATES`].
    fn better_period_us(&self, grid: &Grid) -> Option<f64> {
        let had = self.agreement(grid.interval_us)?;
        let mut best: Option<(f64, f64)> = None;
        for period_us in candidates(grid.interval_us) {
            if let Some(agreement) = self.agreement(period_us)
                && best.is_none_or(|(_, most)| agreement > most)
            {
                best = Some((period_us, agreement));
            }
        }
        best.filter(|&(_, most)| most > AGREEMENT && most > had + CLEARLY).map(|(period_us, _)| period_us)
    }

    /// How well the block's deliveries agree with a period, all of them and those that waited longer by more than a quarter of it:
    /// 1 is exact, 0 is chance. Nothing where too few tell.
    fn agreement(&self, period_us: f64) -> Option<f64> {
        let thinned = self.entries.len().checked_div(COMPARED).unwrap_or(0).saturating_add(1);
        let rate = 1.0 + self.line.rate_ppm * 1e-6;
        let (mut sum, mut n, mut sum_far, mut n_far) = (0.0, 0_usize, 0.0, 0_usize);
        for (i, a) in self.entries.iter().step_by(thinned).enumerate() {
            for b in self.entries.iter().step_by(thinned).take(i) {
                let waited = f64::from(a.delivery_us) - f64::from(b.delivery_us);
                let apart = (f64::from(a.at_s) - f64::from(b.at_s)) * 1e6 * rate + waited;
                let turns = apart / period_us;
                let score = 1.0 - 4.0 * magnitude(turns - libm::round(turns));
                sum += score;
                n = n.saturating_add(1);
                if 4.0 * magnitude(waited) > period_us {
                    sum_far += score;
                    n_far = n_far.saturating_add(1);
                }
            }
        }
        let (all, far) = (sum / count(n), sum_far / count(n_far));
        (n_far >= FAR_NEEDED).then_some(lesser(far, all))
    }

    /// Takes another period where the arrivals show that the grid has that; says whether it did.
    fn change_period(&mut self, grid: &mut Grid) -> bool {
        if let Some(period_us) = grid.standard_us() {
            grid.lay_anew(period_us, self.own_first_us);
            return true;
        }
        let impossible = grid.impossible();
        if grid.anchors.len() >= ANCHORS_FOR_RATE && !impossible {
            return false;
        }
        let period_us = match self.better_period_us(grid) {
            Some(period_us) => period_us,
            None if !impossible => return false,
            None if magnitude(grid.stretch_ppm) >= FOUND_STRETCH_PPM => grid.interval_us,
            // One that no standard names, unless a few stamps that came late have feigned the rate.
            None if self.agreement(grid.period_us()) < self.agreement(grid.interval_us) => {
                grid.forget_rate();
                return false;
            }
            None if grid.anchors.len() < ANCHORS_FOR_OWN => return false,
            None => grid.period_us(),
        };
        self.given_is_refuted(grid.interval_us);
        grid.misfits = grid.misfits.saturating_add(1);
        grid.lay_anew(period_us, self.own_first_us);
        true
    }

    /// The packet whose instant is earliest against the working line, or that many later in this order; of all, or of
    /// those that were first in their delivery.
    fn earliest(&self, passed_over: usize, of_firsts: bool) -> Option<&Entry> {
        let mut found: Option<&Entry> = None;
        for _ in 0..=passed_over {
            let later = |e: &&Entry| found.is_none_or(|f| (e.instant_us, e.at_s) > (f.instant_us, f.at_s));
            found = self
                .entries
                .iter()
                .filter(|e| !e.instant_us.is_nan() && (e.first || !of_firsts))
                .filter(later)
                .reduce(|a, b| if (b.instant_us, b.at_s) < (a.instant_us, a.at_s) { b } else { a });
        }
        found
    }

    /// Upper and lower bound by the grid. `margin_us`: how far the grid's instants may be off inside the block;
    /// `upper_margin_us`: the same for the upper bound, infinite where only the stamps may be used; `grouped`: several packets
    /// share an instant, on a grid without much lateness; `shift`: the block's phase against the grid's, and by how much it is late, µs:
    /// the expected least jitter.
    #[inline(never)]
    fn bound(
        &mut self,
        block: &mut Block,
        interval_us: f64,
        margin_us: f64,
        upper_margin_us: f64,
        grouped: bool,
        (shift, missing_us): (f64, f64),
    ) {
        let n = self.entries.len();
        // Upper: the least stamp, or the grid's instant of the third earliest packet; the very earliest may have come
        // with traffic that is not seen here, which kept the event open for it.
        let by_instant = self.earliest(2, true);
        if let Some(entry) = by_instant {
            let upper = f64::from(entry.instant_us) + shift + upper_margin_us;
            let upper = self.absolute(entry.at_s, upper);
            let stamps = block.upper;
            let line = self.line.rate_ppm * (upper.at_s - stamps.at_s);
            if upper.residual_us + self.resolution_us < stamps.residual_us + line {
                block.upper = Bound { residual_us: upper.residual_us + self.resolution_us, ..upper };
            }
        }
        // Lower: the latest of the packets that left at their first chance, less one interval. Some of the latest
        // may be late by chance, so as many are passed over as make that improbable.
        let Some(earliest) = self.earliest(0, false).copied() else { return };
        let base = f64::from(earliest.instant_us);
        // All packets of one instant were sent in one go, however long that took and whatever else went between.
        if grouped {
            let alone = self.absolute(earliest.at_s, base + shift);
            let line = self.line.rate_ppm * (alone.at_s - block.minimum.at_s);
            if alone.residual_us < block.minimum.residual_us + line {
                block.minimum = alone;
            }
        }
        let guard = GUARD_US + margin_us + 0.01 * interval_us;
        let at_first_chance = |e: &&Entry| {
            let above = f64::from(e.instant_us) - base;
            above < interval_us - guard
        };
        let instants = self.entries.iter().filter(|e| !e.instant_us.is_nan()).count();
        let on_time = self.entries.iter().filter(at_first_chance).count();
        block.on_time = u16::try_from(n.saturating_sub(instants).saturating_add(on_time)).unwrap_or(u16::MAX);
        let late = 1.0 - count(on_time) / count(if instants > 0 { instants } else { 1 });
        self.late_share += 0.2 * (late - self.late_share);
        let share = if late > self.late_share { late } else { self.late_share };
        let Some(passed_over) = improbable(share) else { return };
        // Of the later half of the phases at the most: the others may be those of packets that came first of all.
        let phases = self.entries.iter().filter(|e| e.phase(base, interval_us) < interval_us - guard).count();
        if on_time < 6 {
            return;
        }
        // Where the found period may be half of the true one, half of all packets seem late; where an app may have collected them, more.
        let mut reach_us = interval_us + margin_us + 8.0 * missing_us;
        if share > LATE_SHARE {
            let instants = (block.to_s - block.from_s) * 1e6 / interval_us;
            if f64::from(block.deliveries) < EACH_INSTANT * lesser(instants, f64::from(block.packets)) {
                return;
            }
            if !(self.declared || self.meets_every_instant()) {
                reach_us += interval_us;
            }
        }
        let lower =
            |entry: &Entry, above_us: f64| self.absolute(entry.at_s, base + above_us + shift - reach_us);
        let (mut nth, mut below) = (None::<&Entry>, interval_us - guard);
        if passed_over.saturating_mul(2) <= phases {
            let mut left = passed_over;
            while left > 0 {
                let latest = self
                    .entries
                    .iter()
                    .map(|e| (e.phase(base, interval_us), e))
                    .filter(|&(phase, _)| phase < below);
                let Some((phase, entry)) = latest.reduce(|a, b| if b.0 > a.0 { b } else { a }) else { break };
                (below, nth) = (phase, Some(entry));
                let same = self.entries.iter().filter(|e| e.phase(base, interval_us) == phase).count();
                left = left.saturating_sub(same);
            }
        }
        block.lower = Some(match nth {
            Some(entry) => lower(entry, below),
            // Too many are late: of a whole block one packet at least was on time, and the earliest was no earlier than one interval before.
            None => lower(&earliest, 0.0),
        });
        let latest = self
            .entries
            .iter()
            .filter(at_first_chance)
            .reduce(|a, b| if b.instant_us > a.instant_us { b } else { a });
        block.likely = latest.map(|entry| lower(entry, f64::from(entry.instant_us) - base));
    }
}

/// How many packets are late at once by chance once in a thousand times, where such a share of them is; `None` where hardly any is on time.
#[inline(never)]
pub(crate) fn improbable(late_share: f64) -> Option<usize> {
    let mut chance = 1.0;
    (1..=MOST_IMPROBABLE).find(|_| {
        chance *= late_share + 0.02;
        chance < 1e-3
    })
}

/// The most packets that this is asked of.
const MOST_IMPROBABLE: usize = 40;
/// Share of the grid's instants, or of the packets where these are fewer, that deliveries have to come at for late packets to be the radio's own.
const EACH_INSTANT: f64 = 0.6;

/// What is left of one and the same instant once it has been reckoned for two packets, µs, far less than instants are apart.
const SAME_INSTANT_US: f64 = 100.0;

/// Late packets of the earliest phase come just one interval after its first; this much before is left out, µs.
const GUARD_US: f64 = 200.0;

/// The periods next to a grid's, in µs, that its connection may have instead: multiples of Bluetooth LE's step, [`CANDIDATES`] at the most.
fn candidates(interval_us: f64) -> impl Iterator<Item = f64> {
    let steps = |us: f64| crate::number::nearest(us / INTERVAL_STEP_US);
    let (from, to) = (steps(interval_us / TOOTH), steps(interval_us * TOOTH));
    let every = to.saturating_sub(from).checked_div(CANDIDATES).unwrap_or(0).saturating_add(1);
    let nth = move |n: i64| from.saturating_add(n.saturating_mul(every));
    (0..CANDIDATES)
        .map(nth)
        .take_while(move |&step| step <= to)
        .map(|step| crate::number::float(step) * INTERVAL_STEP_US)
}

fn common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a.checked_rem(b).unwrap_or(0));
    }
    a
}

#[cfg(test)]
mod tests;
