//! One live session: what an app feeds and asks while the headset runs, in one value of fixed size.
//!
//! `packet stamp → intake → gaps, and for the reference stream: frame → gate → clocks, each a live estimator → placement, clock map`.
//! Packets whose place is known only later are fed when it is. Where the device's counters restarted, frame and estimator
//! begin again.
//!
//! The **timeline** of a segment counts seconds at the nominal rate from the first sample of the first packet of the
//! reference stream (stream 0) that found its place there; a packet that turns up later may lie before it.
//!
//! A host clock that is set or sleeps is looked for by more than 1.25 packet periods (at least 20 ms): see [`crate::clocks`]. Events
//! before it are placed by what was known then, events that either clock may have stamped get an interval over both. Smaller steps, and
//! more than three in a segment, are beyond it: stamp with a clock that never jumps.

use heapless::Vec;

use crate::clocks::{Clock, ClockList, Clocks, Ended};
use crate::frame::Frame;
use crate::gaps::{Gap, GapTable};
use crate::gate::Gate;
use crate::intake::{
    CountClock, DeviceClock, Intake, IntakeConfigError, IntakeCounters, Intaken, PacketStamp, StreamConfig,
};
use crate::lattice::largest_gap_us;
use crate::map::{ClockMap, HostInstant};
use crate::number::{between, difference, greater, magnitude, nearest};
use crate::pair::{MARKER_US, SyncPair};
use crate::placement::{Knot, Placement, Placing, Shift};
use crate::serial::SerialSpace;
use crate::settling::{Settled, Settling, SettlingCounters};
use crate::setup::{HOST_TOLERANCE_PPM, Setup};
use crate::student::NORMAL_COVERAGE_FACTOR_95;

/// Open gaps that are listed for each stream: as many as the reorder window can still reach.
const GAPS: usize = 32;
/// How far a tick may lie from where the arrivals expect it, s (own choice): farther, it belongs to another segment or
/// is nonsense. Doubled: so much worse a tick is believed.
const FAR_S: f64 = 2.0;
/// Device times beyond this are answered as if they were there, s (317 years): nanoseconds of the host's reach no farther in 64 bits.
const FARTHEST_S: f64 = 1e10;
/// Longest fixed delay and latency, µs: beyond an hour it is a mistake in the unit (own choice).
const LONGEST_SHIFT_US: f64 = 3.6e9;
/// Grids outside this range are no connection interval, µs (that of Bluetooth LE is 7,500 to 4,000,000; own margin).
const SHORTEST_INTERVAL_US: f64 = 100.0;
/// See `SHORTEST_INTERVAL_US`.
const LONGEST_INTERVAL_US: f64 = 1e7;
/// Coarsest host stamps, µs: a second (own choice).
const COARSEST_US: f64 = 1e6;
/// Time over which packets are taken to visit the phases of the grid, s.
const BEAT_SPAN_S: f64 = 60.0;

/// The device's counter that packets, exchanges and markers carry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TickCounter {
    /// Nominal rate, Hz, 0.001..=1e12.
    pub hz: f64,
    /// It wraps at 2^bits; 16..=64.
    pub bits: u8,
}

/// What is known before the first packet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SessionConfig<'a> {
    /// The device's counter; `None` where packets carry none: then the sample count is the clock, and ticks are not looked at.
    pub ticks: Option<TickCounter>,
    /// Tolerance of the device's crystal, ppm, 0..=99980.
    pub tolerance_ppm: f64,
    /// Step of the host's stamps, µs: a stamp is the clock rounded down to it. 0..=1e6.
    pub host_step_us: f64,
    /// Smallest time from the first sample of a packet of the reference stream to its host stamp; `None` where nobody knows it:
    /// then placements leave it out and say so.
    pub fixed_delay: Option<Shift>,
    /// Connection interval, µs, 100..=1e7; `None` lets it be found.
    pub interval_us: Option<f64>,
    /// The streams; the first one is the reference.
    pub streams: &'a [StreamConfig],
}

/// A configuration that cannot be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SessionConfigError {
    /// Counters or streams.
    Intake(IntakeConfigError),
    /// No stream was given.
    NoStream,
    /// The step of the host's stamps lies outside 0..=1e6 µs.
    HostStep,
    /// The fixed delay is not finite, beyond an hour, or has a negative uncertainty.
    FixedDelay,
    /// The connection interval lies outside 100..=1e7 µs.
    Interval,
}

impl core::fmt::Display for SessionConfigError {
    fn fmt(&self, out: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Intake(error) => error.fmt(out),
            Self::NoStream => out.write_str("a session needs at least one stream"),
            Self::HostStep => out.write_str("the step of the host's stamps is not within 0 to 1e6 µs"),
            Self::FixedDelay => {
                out.write_str("the fixed delay is no finite time with an uncertainty of 0 or more")
            }
            Self::Interval => out.write_str("a connection interval is 100 µs to 10 s"),
        }
    }
}

impl core::error::Error for SessionConfigError {}

impl From<IntakeConfigError> for SessionConfigError {
    fn from(error: IntakeConfigError) -> Self {
        Self::Intake(error)
    }
}

/// Whether a shift is a time: finite, at most an hour either way, its uncertainty 0 or more.
pub fn is_a_time(shift: Shift) -> bool {
    magnitude(shift.us) <= LONGEST_SHIFT_US && (0.0..=LONGEST_SHIFT_US).contains(&shift.u_us)
}

/// What became of an exchange or a marker.
#[must_use]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sighted {
    /// It bounds the clock.
    Used,
    /// The device's ticks are not configured.
    NoTicks,
    /// No packet of the reference stream has found its place yet.
    TooEarly,
    /// A tick does not fit its width, or lies more than 2 s from where the arrivals expect it; or a stamp may be of before the host's
    /// clock was set.
    FarOff,
    /// The reply came before the request, on either clock.
    Backwards,
}

/// Where an event fell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Segment on whose timeline it fell.
    pub segment: u32,
    /// Nobody knows the fixed delay: `device_s` is late by it, and the half-width does not count it.
    pub excludes_fixed_delay: bool,
    /// Where, and how surely.
    pub placement: Placement,
}

/// How much is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Knowledge {
    /// No two packets of the reference stream that agree have found their place yet (one alone may be nonsense): nothing can be placed.
    Nothing,
    /// The first packets: bounded by the declared tolerance and the usual delays only.
    Cold,
    /// Blocks of arrivals bound the clock.
    Tracking,
}

/// What the arrivals show of the link.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Link {
    /// Grid of instants that is believed in, declared or found, µs of its own time.
    pub interval_us: Option<f64>,
    /// Rate of the grid against the host's clock, ppm: positive if its periods are longer than nominal.
    pub interval_stretch_ppm: f64,
    /// Longest stretch of the grid's period that no packet of a minute falls into, µs: what the least wait may hide. Where packets
    /// and grid repeat together it is the step of the saw-tooth (the beat); 0 without a grid.
    pub beat_us: f64,
    /// The device's rate lies outside the declared tolerance.
    pub off_nominal: bool,
    /// The estimate rests on exchanges and markers more than on arrivals less the fixed delay.
    pub rests_on_pairs: bool,
}

/// What was counted, besides the intake's own.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SessionCounters {
    /// What the intake answered, over all streams.
    pub intake: IntakeCounters,
    /// What became of packets that had no place at first.
    pub settling: SettlingCounters,
    /// Stamps of the reference stream that were nonsense and were not used for the clock.
    pub wild: u64,
    /// Exchanges used, and refused.
    pub exchanges_used: u64,
    /// See `exchanges_used`.
    pub exchanges_refused: u64,
    /// Markers used, and refused.
    pub markers_used: u64,
    /// See `markers_used`.
    pub markers_refused: u64,
}

/// The estimator of one segment.
#[derive(Clone, Debug)]
struct Running {
    segment: u32,
    frame: Frame,
    gate: Gate,
    clocks: Clocks,
}

/// The segment before.
#[derive(Clone, Debug)]
struct Before {
    segment: u32,
    frame: Frame,
    clocks: Ended,
}

/// The missing packets of one stream.
#[derive(Clone, Debug)]
struct Missing {
    segment: u32,
    samples_per_packet: u32,
    table: GapTable<GAPS>,
    /// In the segments before.
    packets_before: u64,
}

/// What is constant about one device: the same for live and replayed estimates.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ground {
    pub(crate) setup: Setup,
    ticks: Option<SerialSpace>,
    counts_per_s: f64,
    rate_hz: f64,
    pub(crate) host_step_us: f64,
    /// Half a tick, µs; 0 where samples are counted.
    pub(crate) half_tick_us: f64,
}

impl Ground {
    /// The ground, and the clock that the intake is to reckon with.
    pub(crate) fn new(config: &SessionConfig<'_>) -> Result<(Self, DeviceClock), SessionConfigError> {
        let SessionConfig { ticks, tolerance_ppm, host_step_us, fixed_delay, interval_us, streams } = *config;
        let reference = streams.first().ok_or(SessionConfigError::NoStream)?;
        if !(0.0..=COARSEST_US).contains(&host_step_us) {
            return Err(SessionConfigError::HostStep);
        }
        if fixed_delay.is_some_and(|delay| !is_a_time(delay)) {
            return Err(SessionConfigError::FixedDelay);
        }
        if interval_us.is_some_and(|us| !(SHORTEST_INTERVAL_US..=LONGEST_INTERVAL_US).contains(&us)) {
            return Err(SessionConfigError::Interval);
        }
        if tolerance_ppm.is_nan() || tolerance_ppm < 0.0 {
            return Err(IntakeConfigError::Tolerance { tolerance_ppm }.into());
        }
        // Without a counter no packet carries a tick, and these two are not looked at.
        let counter = ticks.unwrap_or(TickCounter { hz: 1000.0, bits: 32 });
        let clock = DeviceClock {
            tick_hz: counter.hz,
            tick_bits: counter.bits,
            tolerance_ppm: tolerance_ppm + HOST_TOLERANCE_PPM,
        };
        let tick_us = if ticks.is_some() { 1e6 / counter.hz } else { 0.0 };
        let ground = Self {
            setup: Setup {
                // A tick is rounded down as a host stamp is.
                resolution_us: host_step_us + tick_us,
                device_step_us: tick_us,
                fixed_delay,
                interval_us,
                ..Setup::new(tolerance_ppm, reference.period_s())
            },
            ticks: ticks.and_then(|counter| SerialSpace::new(counter.bits).ok()),
            counts_per_s: ticks.map_or(reference.rate_hz, |counter| counter.hz),
            rate_hz: reference.rate_hz,
            host_step_us,
            half_tick_us: tick_us / 2.0,
        };
        Ok((ground, clock))
    }

    /// Whether packets carry ticks.
    pub(crate) const fn has_ticks(&self) -> bool {
        self.ticks.is_some()
    }

    /// A stamp as the device's clock is configured: without one, ticks are not looked at.
    pub(crate) fn stamp(&self, stamp: PacketStamp) -> PacketStamp {
        PacketStamp { tick: stamp.tick.filter(|_| self.has_ticks()), ..stamp }
    }

    /// Whether a packet tells the clock that the timeline counts by.
    pub(crate) fn tells_the_clock(&self, settled: &Settled) -> bool {
        let counts_by = if self.has_ticks() { CountClock::Ticks } else { CountClock::Samples };
        settled.stream == 0 && settled.at.clock == counts_by
    }

    /// The origin of a timeline that begins with a packet.
    pub(crate) fn frame(&self, settled: &Settled) -> Frame {
        Frame {
            device_origin: settled.at.device,
            counts_per_s: self.counts_per_s,
            host_origin_ns: settled.host_ns,
        }
    }

    fn placing(&self, frame: Frame, fixed_delay: Option<Shift>) -> Placing {
        Placing {
            frame,
            fixed_delay: fixed_delay.unwrap_or_default(),
            resolution_us: self.host_step_us,
            curvature_ppm_per_s: crate::filter::WIDEST_CURVATURE,
        }
    }

    /// Places an event. The timeline counts from the true first sample behind the origin's tick, half a tick after it, give or
    /// take half a tick.
    pub(crate) fn place(
        &self,
        (segment, frame): (u32, Frame),
        fixed_delay: Option<Shift>,
        host_ns: i64,
        latency: Shift,
        known: impl Fn(f64) -> (Knot, f64),
    ) -> Placed {
        let mut placement = self.placing(frame, fixed_delay).place(host_ns, latency, known);
        placement.device_s -= self.half_tick_us * 1e-6;
        placement.budget.resolution_us += self.half_tick_us;
        placement.u95_us = placement.budget.u95_us();
        // Rounding counts as evenly spread (GUM 4.3.7); the host's step is in it already.
        let (rounding, host) = (self.rounding_us(), self.host_step_us / 2.0);
        placement.u_us =
            libm::sqrt(placement.u_us * placement.u_us + (rounding * rounding - host * host) / 3.0);
        Placed { segment, excludes_fixed_delay: fixed_delay.is_none(), placement }
    }

    /// What rounding of stamps and ticks leaves open, µs.
    fn rounding_us(&self) -> f64 {
        self.host_step_us / 2.0 + self.half_tick_us
    }
}

/// The live path of one device with up to `STREAMS` streams. See the [module](self).
///
/// Memory is fixed, and a call does a bounded amount of work. The value may be copied: the copy goes on by itself, to the same
/// bits.
#[derive(Clone, Debug)]
pub struct Session<const STREAMS: usize> {
    ground: Ground,
    settling: Settling<STREAMS>,
    missing: Vec<Missing, STREAMS>,
    running: Option<Running>,
    before: Option<Before>,
    counters: SessionCounters,
}

// An app or a microcontroller has to find room for it.
const _: () = assert!(size_of::<Session<4>>() <= 66 * 256);

impl<const STREAMS: usize> Session<STREAMS> {
    /// A session that has seen nothing yet.
    ///
    /// # Errors
    /// A value outside the range that its field states, no stream, or more than `STREAMS`.
    pub fn new(config: &SessionConfig<'_>) -> Result<Self, SessionConfigError> {
        let (ground, clock) = Ground::new(config)?;
        let settling = Settling::new(clock, config.streams)?;
        let mut missing = Vec::new();
        for stream in config.streams {
            // The intake has room for as many.
            let _ = missing.push(Missing {
                segment: 0,
                samples_per_packet: stream.samples_per_packet,
                table: GapTable::new(),
                packets_before: 0,
            });
        }
        Ok(Self {
            ground,
            settling,
            missing,
            running: None,
            before: None,
            counters: SessionCounters::default(),
        })
    }

    /// Whether a configuration can be.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn check(config: &SessionConfig<'_>) -> Result<(), SessionConfigError> {
        let (_, clock) = Ground::new(config)?;
        Ok(Intake::<STREAMS>::new(clock, config.streams).map(|_| ())?)
    }

    /// Takes a received packet of a stream (counted from 0 in the order of configuration), in the order of reception; host
    /// stamps need not ascend. Never fails: what cannot be used is refused with its reason, and changes nothing but its counter.
    /// Cost: bounded; what a packet settles is taken in with it.
    pub fn observe_packet(&mut self, stream: usize, stamp: PacketStamp) -> Intaken {
        let Self { ground, settling, missing, running, before, counters } = self;
        settling.observe(stream, ground.stamp(stamp), |settled| {
            if let Some(missing) = missing.get_mut(settled.stream) {
                missing.take(&settled);
            }
            if ground.tells_the_clock(&settled) {
                if running.as_ref().is_none_or(|running| running.segment < settled.at.segment) {
                    *before = running.as_ref().map(Running::end);
                    *running = Some(Running::new(ground, &settled));
                }
                if let Some(running) = running.as_mut().filter(|r| r.segment == settled.at.segment) {
                    let wild = running.take(ground, &settled);
                    counters.wild = counters.wild.saturating_add(wild);
                }
            }
        })
    }

    /// Takes an exchange of time stamps: a request sent at host time `origin_ns` and received at tick `receive_tick`, its reply
    /// sent at `transmit_tick` and received at `destination_ns`. Call when the reply has come.
    pub fn observe_exchange(
        &mut self,
        origin_ns: i64,
        receive_tick: u64,
        transmit_tick: u64,
        destination_ns: i64,
    ) -> Sighted {
        let sighted = self.exchange(origin_ns, receive_tick, transmit_tick, destination_ns);
        let used = sighted == Sighted::Used;
        let counters = &mut self.counters;
        let counter = if used { &mut counters.exchanges_used } else { &mut counters.exchanges_refused };
        *counter = counter.saturating_add(1);
        sighted
    }

    fn exchange(&mut self, origin_ns: i64, receive: u64, transmit: u64, destination_ns: i64) -> Sighted {
        let Some(space) = self.ground.ticks else { return Sighted::NoTicks };
        let resolution_us = self.ground.setup.resolution_us;
        let Some(running) = &mut self.running else { return Sighted::TooEarly };
        let (Some(received), Some(sent)) =
            (running.tick(space, origin_ns, receive), running.tick(space, destination_ns, transmit))
        else {
            return Sighted::FarOff;
        };
        if origin_ns > destination_ns || received > sent {
            return Sighted::Backwards;
        }
        let frame = running.frame;
        for pair in SyncPair::of_exchange(&frame, resolution_us, origin_ns, received, sent, destination_ns) {
            running.clocks.live_mut().observe_pair(&pair);
        }
        Sighted::Used
    }

    /// Takes a marker: an instant that the host stamped `host_ns` and the device saw at tick `tick`, to within 2 ms.
    pub fn observe_marker(&mut self, host_ns: i64, tick: u64) -> Sighted {
        let sighted = self.marker(host_ns, tick);
        let used = sighted == Sighted::Used;
        let counters = &mut self.counters;
        let counter = if used { &mut counters.markers_used } else { &mut counters.markers_refused };
        *counter = counter.saturating_add(1);
        sighted
    }

    fn marker(&mut self, host_ns: i64, tick: u64) -> Sighted {
        let Some(space) = self.ground.ticks else { return Sighted::NoTicks };
        let resolution_us = self.ground.setup.resolution_us;
        let Some(running) = &mut self.running else { return Sighted::TooEarly };
        let Some(count) = running.tick(space, host_ns, tick) else { return Sighted::FarOff };
        let pair = SyncPair::of_marker(&running.frame, resolution_us, MARKER_US, host_ns, count);
        running.clocks.live_mut().observe_pair(&pair);
        Sighted::Used
    }

    /// Places an event that the host stamped `host_ns` and whose physical instant was `latency` later; `None` before two
    /// packets that agree, for a latency that [is no time](is_a_time), or where the host's clock was set so often since that what was known
    /// is forgotten. An event from before the first sample of the running segment is placed on the one before, where there was one; one from
    /// before the host's clock was set, by what was known before. Cost: a few look-ups.
    pub fn place(&self, host_ns: i64, latency: Shift) -> Option<Placed> {
        let running = self.running.as_ref().filter(|_| is_a_time(latency))?;
        running.clocks.live().known_at(0.0)?;
        let on = |segment: u32, frame: Frame, clocks: ClockList<'_>| {
            self.place_by(&clocks, (segment, frame), host_ns, latency)
        };
        let stamped_us = running.frame.host_us(host_ns);
        let now = on(running.segment, running.frame, running.clocks.that_stamped(stamped_us))?;
        match &self.before {
            Some(before) if now.placement.device_s < 0.0 => {
                let clocks = before.clocks.that_stamped(before.frame.host_us(host_ns));
                on(before.segment, before.frame, clocks)
            }
            _ => Some(now),
        }
    }

    /// Places an event by all clocks that may have stamped it.
    fn place_by(
        &self,
        clocks: &[Clock<'_>],
        on: (u32, Frame),
        host_ns: i64,
        latency: Shift,
    ) -> Option<Placed> {
        let mut placed: Option<Placed> = None;
        for clock in clocks {
            let delay = clock.fixed_delay();
            let mut by = self.ground.place(on, delay, host_ns, latency, |device_s| clock.known_at(device_s));
            by.placement = by.placement.by_bounds();
            placed = Some(placed.map_or(by, |placed| Placed {
                excludes_fixed_delay: placed.excludes_fixed_delay || by.excludes_fixed_delay,
                placement: placed.placement.or(&by.placement),
                ..by
            }));
        }
        placed
    }

    /// Host time of a time on the running segment's timeline, s, with its uncertainty, by the clock that the host had then; `None` before
    /// two packets that agree or for no finite time.
    pub fn host_at(&self, device_s: f64) -> Option<HostInstant> {
        let running = self.running.as_ref().filter(|_| device_s.is_finite())?;
        running.clocks.live().known_at(0.0)?;
        let device_s = between(device_s, -FARTHEST_S, FARTHEST_S);
        let mut instant: Option<HostInstant> = None;
        for clock in running.clocks.all() {
            let by = self.host_by(&running.frame, &clock, device_s);
            let stamped_us = running.frame.host_us(by.host_ns);
            if clock.from_us() <= stamped_us && stamped_us <= clock.until_us() {
                instant = Some(instant.map_or(by, |instant| either(&instant, &by)));
            }
        }
        let present = Clock::Present(running.clocks.live(), f64::NEG_INFINITY);
        Some(instant.unwrap_or_else(|| self.host_by(&running.frame, &present, device_s)))
    }

    fn host_by(&self, frame: &Frame, clock: &Clock<'_>, device_s: f64) -> HostInstant {
        let at_s = device_s + self.ground.half_tick_us * 1e-6;
        let (knot, _) = clock.known_at(at_s);
        let delay = clock.fixed_delay().unwrap_or_default();
        let half_width = knot.half_width_us();
        let delay_us = NORMAL_COVERAGE_FACTOR_95 * delay.u_us;
        let rounding = self.ground.rounding_us();
        HostInstant {
            host_ns: frame.host_ns(at_s, knot.offset_us - delay.us),
            u_us: root_of_squares([knot.u_offset_us, delay.u_us, rounding / libm::sqrt(3.0)]),
            // The clock may lie at the edge of its bounds, as for a placement.
            u95_us: half_width + root_of_squares([delay_us, rounding, 0.0]),
        }
    }

    /// A clock map of the running segment's timeline and of the host's present clock as it is known now, centred on its newest packet,
    /// valid from where that clock was last set; `None` before two packets that agree. Plain data: it stays as it is while the session
    /// goes on.
    pub fn map(&self) -> Option<ClockMap> {
        let running = self.running.as_ref()?;
        let live = running.clocks.live();
        let newest_s = live.newest_s();
        let (knot, _) = live.known_at(newest_s)?;
        let placing = self.ground.placing(running.frame, live.fixed_delay());
        let mut map = placing.map(&knot, running.clocks.since_s(), newest_s);
        let rounding = self.ground.rounding_us();
        map.at_s -= self.ground.half_tick_us * 1e-6;
        map.offset_us += self.ground.half_tick_us;
        map.u_offset_us = root_of_squares([map.u_offset_us, rounding / libm::sqrt(3.0), 0.0]);
        let delay_us = NORMAL_COVERAGE_FACTOR_95 * live.fixed_delay().unwrap_or_default().u_us;
        map.half_width_us = knot.half_width_us() + root_of_squares([delay_us, rounding, 0.0]);
        Some(map)
    }

    /// The first run of missing packets of a stream, in its present segment, that ends at or after unwrapped index `from`; late
    /// packets may still close it. Ask again from its last index plus one for the next. Cost: O(32).
    pub fn next_gap(&self, stream: usize, from: i64) -> Option<Gap> {
        let missing = self.missing.get(stream)?;
        missing.table.open().iter().find(|gap| gap.last_index() >= from).copied()
    }

    /// All packets of a stream that are missing, over all segments; what is lost between two segments is not known. `None` for no
    /// such stream.
    pub fn missing_packets(&self, stream: usize) -> Option<u64> {
        let missing = self.missing.get(stream)?;
        Some(missing.packets_before.saturating_add(missing.table.missing_packets()))
    }

    /// The newest segment in which a stream has packets, and how many runs of missing packets it has there; one that late packets
    /// closed in its middle may count once for each part. `None` for no such stream.
    pub fn gaps(&self, stream: usize) -> Option<(u32, u64)> {
        self.missing.get(stream).map(|missing| (missing.segment, missing.table.gaps()))
    }

    /// Nominal samples in a packet of a stream; `None` for no such stream.
    pub fn samples_per_packet(&self, stream: usize) -> Option<u32> {
        self.missing.get(stream).map(|missing| missing.samples_per_packet)
    }

    /// Nominal sample rate of the reference stream, Hz.
    pub fn rate_hz(&self) -> f64 {
        self.ground.rate_hz
    }

    /// The device's current segment: 0 before any restart. The reference stream may not have joined it yet.
    pub fn segment(&self) -> u32 {
        self.settling.segment()
    }

    /// The segment that events are placed on; `None` before the first packet.
    pub fn timeline_segment(&self) -> Option<u32> {
        self.running.as_ref().map(|running| running.segment)
    }

    /// How much is known.
    pub fn knowledge(&self) -> Knowledge {
        match self.running.as_ref().filter(|running| running.clocks.live().known_at(0.0).is_some()) {
            None => Knowledge::Nothing,
            Some(running) if running.clocks.live().blocks_taken() == 0 => Knowledge::Cold,
            Some(_) => Knowledge::Tracking,
        }
    }

    /// Time of the newest packet on the running segment's timeline, s; `None` before the first.
    pub fn newest_s(&self) -> Option<f64> {
        self.running.as_ref().map(|running| running.clocks.live().newest_s())
    }

    /// What the arrivals show of the link.
    pub fn link(&self) -> Link {
        let Some(running) = &self.running else { return Link::default() };
        let live = running.clocks.live();
        let grid = live.interval();
        let beat_us = grid.map_or(0.0, |grid| {
            let grid_us = grid.period_us * (1.0 + grid.stretch_ppm * 1e-6);
            largest_gap_us(
                self.ground.setup.period_s * 1e6,
                grid_us,
                BEAT_SPAN_S / self.ground.setup.period_s,
            )
        });
        Link {
            interval_us: grid.map(|grid| grid.period_us),
            interval_stretch_ppm: grid.map_or(0.0, |grid| grid.stretch_ppm),
            beat_us,
            off_nominal: live.off_nominal(),
            rests_on_pairs: live.rests_on_pairs(),
        }
    }

    /// What was counted.
    pub fn counters(&self) -> SessionCounters {
        SessionCounters {
            intake: *self.settling.intake_counters(),
            settling: *self.settling.counters(),
            ..self.counters
        }
    }
}

impl Missing {
    fn take(&mut self, settled: &Settled) {
        let segment = settled.at.segment;
        if self.segment < segment {
            self.packets_before = self.packets_before.saturating_add(self.table.missing_packets());
            self.table = GapTable::new();
            self.segment = segment;
        }
        if self.segment == segment {
            let _ = self.table.receive(settled.at.index);
        }
    }
}

impl Running {
    fn new(ground: &Ground, first: &Settled) -> Self {
        Self {
            segment: first.at.segment,
            frame: ground.frame(first),
            gate: Gate::default(),
            clocks: Clocks::new(&ground.setup),
        }
    }

    /// Takes a packet in; returns how many stamps turned out to be nonsense.
    fn take(&mut self, ground: &Ground, settled: &Settled) -> u64 {
        // A packet of one sample more than usual can go one sample later after its first, and the fixed delay is the usual packet's.
        let more = if ground.has_ticks() { f64::from(settled.more_samples) } else { 0.0 };
        let device = settled.at.device.saturating_add(nearest(more * ground.counts_per_s / ground.rate_hz));
        let arrival = self.frame.arrival(device, settled.host_ns).behind(settled.behind_us);
        let dropped = self.gate.dropped;
        for arrival in self.gate.admit(arrival).into_iter().flatten() {
            let _ = self.clocks.observe(&ground.setup, arrival);
        }
        self.gate.dropped.saturating_sub(dropped)
    }

    /// The unwrapped tick nearest to where the host's present clock expects it.
    fn tick(&self, space: SerialSpace, host_ns: i64, raw: u64) -> Option<i64> {
        if !self.clocks.is_surely_present(self.frame.host_us(host_ns)) {
            return None;
        }
        let live = self.clocks.live();
        let known = |device_s: f64| live.known_at(device_s).map_or(0.0, |(knot, _)| knot.offset_us);
        let expected_s = self.frame.device_s_at(host_ns, 0.0, known);
        let tick = space.unwrap_near(self.frame.count(expected_s), raw)?;
        (magnitude(self.frame.device_s(tick) - expected_s) < FAR_S).then_some(tick)
    }

    fn end(&self) -> Before {
        Before { segment: self.segment, frame: self.frame, clocks: self.clocks.end() }
    }
}

/// The instant of either of two clocks.
fn either(one: &HostInstant, other: &HostInstant) -> HostInstant {
    let apart_us = difference(other.host_ns, one.host_ns) / 1e3;
    let high_us = greater(one.u95_us, apart_us + other.u95_us);
    let low_us = -greater(one.u95_us, other.u95_us - apart_us);
    HostInstant {
        host_ns: one.host_ns.saturating_add(nearest((low_us + high_us) / 2.0 * 1e3)),
        u_us: root_of_squares([greater(one.u_us, other.u_us), apart_us / 2.0, 0.0]),
        u95_us: (high_us - low_us) / 2.0,
    }
}

fn root_of_squares(parts: [f64; 3]) -> f64 {
    let [a, b, c] = parts;
    libm::sqrt(a * a + b * b + c * c)
}

#[cfg(test)]
mod tests;
