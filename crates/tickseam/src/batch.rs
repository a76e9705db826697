//! A whole recording at once: packets, exchanges and markers in, placed events out, in memory that the caller lends.
//!
//! `packets → settling → places → timeline and arrivals of one segment → replayed estimate, joined by those of the other streams on its ticks
//! → the events that fell into it`, segment by segment.
//!
//! Not done here: a host clock that is set is not looked for, nor is a silence after which the counters went on as they were told
//! from a restart by what followed.

use crate::backlog::without_backlogs;
use crate::block::{Arrival, Deliveries};
use crate::frame::Frame;
use crate::gate::{Gate, without_early};
use crate::intake::{CountClock, IntakeCounters, PacketStamp, StreamConfig};
use crate::live::Live;
use crate::number::single;
use crate::pair::SyncPair;
use crate::placement::{Knot, Shift};
use crate::reception::Reception;
use crate::replay::{Report, Stage, join, known_at, replay, stages_needed};
use crate::select::envelope_line;
use crate::session::{Ground, Placed, SessionConfig, SessionConfigError};
use crate::settling::{Settling, SettlingCounters};
use crate::setup::Setup;
use crate::sightings::{ExchangeStamps, MarkerStamps, Sightings};
use crate::sorting::sort;
use crate::timeline::{Counted, Samples, Timeline};

/// What came of a whole recording.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BatchReport {
    /// What the intake answered, over all streams.
    pub intake: IntakeCounters,
    /// What became of packets that had no place at first.
    pub settling: SettlingCounters,
    /// Stamps that were nonsense and were not used for the clock.
    pub wild: u64,
    /// Segments that events can be placed on.
    pub segments: u32,
    /// Exchanges that bounded the clock.
    pub exchanges: u64,
    /// Markers that bounded the clock.
    pub markers: u64,
    /// Of the last segment.
    pub replayed: Option<Report>,
}

/// Why nothing was placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BatchError {
    /// A configuration that cannot be.
    Config(SessionConfigError),
    /// Fewer places, arrivals, sync pairs or stages than are needed: lend more.
    Room,
    /// No packet of the reference stream found its place.
    NoArrival,
}

impl core::fmt::Display for BatchError {
    fn fmt(&self, out: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Config(error) => error.fmt(out),
            Self::Room => out.write_str("too little memory was lent"),
            Self::NoArrival => out.write_str("no packet of the reference stream found its place"),
        }
    }
}

impl core::error::Error for BatchError {}

/// Stages that are enough for so many packets of so many streams and sync pairs (two for each exchange, one for each marker) whose host stamps span
/// so many seconds, unless a device's times run back and forth by many seconds: then [`BatchError::Room`] asks for more.
pub fn stages_for(streams: usize, packets: usize, pairs: usize, span_s: f64) -> usize {
    // Device time may be off host time by a nominal rate that is wrong, and each segment has a few stages more.
    let span_s = 1.25 * span_s;
    // Another stream's are kept beside the reference stream's, one stream after the other.
    let beside = if streams > 1 { stages_needed(0, 0, span_s) } else { 0 };
    stages_needed(packets, pairs, span_s).saturating_add(beside).saturating_add(64)
}

/// A recording as it was received.
pub trait Received {
    /// How many packets.
    fn count(&self) -> usize;
    /// The stream and the stamp of one, in the order of reception or within [`PLACES`](crate::reception::PLACES) of it; `None` beyond the last.
    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)>;
    /// One of the exchanges; `None` beyond the last.
    fn exchange(&self, _place: usize) -> Option<ExchangeStamps> {
        None
    }
    /// One of the markers; `None` beyond the last.
    fn marker(&self, _place: usize) -> Option<MarkerStamps> {
        None
    }
}

/// Where a packet lies.
#[derive(Clone, Copy, Debug, Default)]
pub struct Place {
    index: i64,
    /// Looked at only if `ticked`.
    tick: i64,
    /// Number of the packet as it is handed over, and in the order of reception.
    row: usize,
    rank: usize,
    stream: usize,
    segment: u32,
    samples: u32,
    behind_us: f32,
    ticked: bool,
}

impl Place {
    fn counted(&self) -> Counted {
        Counted { index: self.index, tick: self.ticked.then_some(self.tick), samples: self.samples }
    }
}

/// The memory that a replay works in; what it held is of no matter.
#[derive(Debug)]
pub struct Lent<'a> {
    /// As many as there are packets: of the reference stream alone where packets carry no ticks.
    pub places: &'a mut [Place],
    /// As many.
    pub arrivals: &'a mut [Arrival],
    /// Two for each exchange and one for each marker.
    pub pairs: &'a mut [SyncPair],
    /// [`stages_for`] tells how many.
    pub stages: &'a mut [Stage],
}

/// An event to be placed, and where it fell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// The host's stamp, ns.
    pub host_ns: i64,
    /// From the stamp to the physical event.
    pub latency: Shift,
    /// Where it fell, and whether the samples there came.
    pub answer: Option<(Placed, Samples)>,
    /// It lies between the first and the last arrival of the segment that it was placed on.
    within: bool,
}

impl Asked {
    /// One that has no answer yet.
    pub const fn new(host_ns: i64, latency: Shift) -> Self {
        Self { host_ns, latency, answer: None, within: false }
    }
}

/// Replays a recording and gives each event its answer. An event belongs to the newest segment whose packets lie before and after it;
/// without one, to the newest that had begun when it happened, or to the first.
///
/// Where packets carry ticks, those of other streams bound the clock too. Cost: some ten passes over the packets; events times segments for the rest.
///
/// # Errors
/// See [`BatchError`].
pub fn replay_packets<const STREAMS: usize>(
    config: &SessionConfig<'_>,
    received: &impl Received,
    events: &mut [Asked],
    lent: Lent<'_>,
) -> Result<BatchReport, BatchError> {
    let (ground, clock) = Ground::new(config).map_err(BatchError::Config)?;
    let mut settling = Settling::<STREAMS, (usize, usize, f32)>::new(clock, config.streams)
        .map_err(|error| BatchError::Config(SessionConfigError::Intake(error)))?;
    let Lent { places, arrivals, pairs, stages } = lent;
    let places = settle(&mut settling, (config.streams, &ground), received, places)?;
    let mut batch =
        Batch { config, ground, received, events, arrivals, pairs, stages, report: BatchReport::default() };
    let mut rest = places;
    while let Some(first) = rest.first() {
        let segment = first.segment;
        let of_segment = rest.iter().take_while(|place| place.segment == segment).count();
        let Some((places, others)) = rest.split_at_mut_checked(of_segment) else { break };
        batch.replay(segment, places)?;
        rest = others;
    }
    if batch.report.segments == 0 {
        return Err(BatchError::NoArrival);
    }
    let (intake, settling) = (*settling.intake_counters(), *settling.counters());
    Ok(BatchReport { intake, settling, ..batch.report })
}

/// Finds the places of the packets, where there are no ticks only of the reference stream's: by segment and stream, each in the order of reception.
fn settle<'a, const STREAMS: usize>(
    settling: &mut Settling<STREAMS, (usize, usize, f32)>,
    (streams, ground): (&[StreamConfig], &Ground),
    received: &impl Received,
    places: &'a mut [Place],
) -> Result<&'a mut [Place], BatchError> {
    let mut deliveries = Deliveries::default();
    let (mut filled, mut short) = (0_usize, false);
    let mut reception = Reception::default();
    let mut written = 0_usize;
    let bits = |stream: usize| streams.get(stream).map_or(0, |stream| stream.sequence_bits);
    let mut next = || {
        while let Some((stream, stamp)) = received.packet(written) {
            let row = written;
            written = written.saturating_add(1);
            if let Some(first) = reception.observe(stream, bits(stream), &stamp, row) {
                return Some(first);
            }
        }
        reception.pop()
    };
    for rank in 0..received.count() {
        let Some((row, (stream, stamp))) = next().and_then(|row| Some((row, received.packet(row)?))) else {
            break;
        };
        let behind_us = single(deliveries.observe(stamp.host_ns));
        let stamp = ground.stamp(stamp);
        let _ = settling.observe_tagged(
            stream,
            stamp,
            (row, rank, behind_us),
            |settled, (row, rank, behind_us)| {
                // Without ticks nothing relates other streams to its timeline.
                if settled.stream != 0 && !ground.has_ticks() {
                    return;
                }
                let (index, segment) = (settled.at.index, settled.at.segment);
                let (tick, ticked) = (settled.at.device, settled.at.clock == CountClock::Ticks);
                let samples = received.packet(row).map_or(0, |(_, stamp)| stamp.samples);
                match places.get_mut(filled) {
                    Some(slot) => {
                        let stream = settled.stream;
                        *slot = Place { index, tick, row, rank, stream, segment, samples, behind_us, ticked }
                    }
                    None => short = true,
                }
                filled = filled.saturating_add(1);
            },
        );
    }
    if short {
        return Err(BatchError::Room);
    }
    let places = places.get_mut(..filled).unwrap_or_default();
    // Packets that were settled late, and those of an old numbering that straggle in.
    sort(places, &|a, b| (a.segment, a.stream, a.rank) < (b.segment, b.stream, b.rank));
    Ok(places)
}

struct Batch<'a, R> {
    config: &'a SessionConfig<'a>,
    ground: Ground,
    received: &'a R,
    events: &'a mut [Asked],
    arrivals: &'a mut [Arrival],
    pairs: &'a mut [SyncPair],
    stages: &'a mut [Stage],
    report: BatchReport,
}

/// A segment whose clock is estimated.
struct Estimated {
    segment: u32,
    timeline: Timeline,
    frame: Frame,
    ground: Ground,
    fixed_delay: Option<Shift>,
    /// Least and greatest device time of its arrivals, s.
    span_s: (f64, f64),
}

impl<R: Received> Batch<'_, R> {
    /// Estimates one segment and answers the events that may belong to it.
    fn replay(&mut self, segment: u32, places: &mut [Place]) -> Result<(), BatchError> {
        let of_reference = places.iter().take_while(|place| place.stream == 0).count();
        let Some((places, others)) = places.split_at_mut_checked(of_reference) else { return Ok(()) };
        let tick_hz = self.config.ticks.map(|ticks| ticks.hz);
        let Some(&stream) = self.config.streams.first() else { return Ok(()) };
        let timeline = Timeline::of(places.iter().map(Place::counted), stream, tick_hz);
        let earliest = places.iter().min_by_key(|place| (place.index, place.rank));
        let (Some(timeline), Some(earliest)) = (timeline, earliest) else { return Ok(()) };
        let frame = timeline.frame(self.host_ns(earliest), tick_hz);
        let ground = self.ground_of(&timeline);
        let found = self.arrivals(places, (&timeline, &frame), &ground.setup, 0.0)?;
        self.report.wild = self.report.wild.saturating_add(found.wild);
        let span_s = found.span_s;
        let Some(arrivals) = self.arrivals.get(..found.used).filter(|arrivals| !arrivals.is_empty()) else {
            return Ok(());
        };
        self.report.segments = self.report.segments.saturating_add(1);
        self.report.replayed = None;
        let mut of = Estimated { segment, timeline, frame, ground, fixed_delay: None, span_s };
        match envelope_line(arrivals.iter().copied()) {
            Ok(line) => {
                let line = line.working();
                let mut pairs: &[SyncPair] = &[];
                if let Some(sightings) = self.sightings(&of) {
                    let (received, room) = (self.received, &mut *self.pairs);
                    let exchanges = (0..).map_while(|place| received.exchange(place));
                    let markers = (0..).map_while(|place| received.marker(place));
                    let found = sightings.between(exchanges, markers, span_s, &|x| line.at(x), room);
                    let found = found.ok_or(BatchError::Room)?;
                    self.report.exchanges = self.report.exchanges.saturating_add(found.exchanges);
                    self.report.markers = self.report.markers.saturating_add(found.markers);
                    pairs = self.pairs.get(..found.pairs).unwrap_or_default();
                }
                let mut report = replay(arrivals, pairs, line, &of.ground.setup, self.stages);
                // None are left where those that were lent held sync pairs alone, before the first arrival.
                if report.stages == 0 || report.stages >= self.stages.len() {
                    return Err(BatchError::Room);
                }
                self.join(others, &of, &mut report)?;
                let stages = self.stages.get(..report.stages).unwrap_or_default();
                self.report.replayed = Some(report);
                of.fixed_delay = report.fixed_delay;
                let known =
                    |at_s: f64| known_at(stages, at_s, report.curvature_ppm_per_s).unwrap_or_default();
                of.answer(places, self.events, &known);
            }
            // Too few arrivals for a line: what the causal estimator makes of them.
            Err(_) => {
                let mut live = Live::new(of.ground.setup);
                for &arrival in arrivals {
                    live.observe(arrival);
                }
                of.fixed_delay = live.fixed_delay();
                of.answer(places, self.events, &|at_s| live.known_at(at_s).unwrap_or_default());
            }
        }
        Ok(())
    }

    /// Narrows what the reference stream's packets tell of the clock by those of the other streams.
    fn join(&mut self, mut rest: &[Place], of: &Estimated, report: &mut Report) -> Result<(), BatchError> {
        let config = self.config;
        let (Some(reference), Some(ticks)) = (config.streams.first(), config.ticks) else { return Ok(()) };
        while let Some(first) = rest.first() {
            let count = rest.iter().take_while(|place| place.stream == first.stream).count();
            let Some((places, others)) = rest.split_at_checked(count) else { break };
            rest = others;
            let Some(stream) = config.streams.get(first.stream) else { continue };
            let timeline = Timeline::of(places.iter().map(Place::counted), *stream, Some(ticks.hz));
            let begins_s = timeline.and_then(|timeline| timeline.begins_s(&of.timeline, ticks.hz));
            let (Some(timeline), Some(begins_s)) = (timeline, begins_s) else { continue };
            let frame = timeline.frame(of.frame.host_origin_ns, Some(ticks.hz));
            let setup = self.ground_of(&timeline).setup.of_another(stream);
            let found = self.arrivals(places, (&timeline, &frame), &setup, begins_s)?;
            let arrivals = self.arrivals.get(..found.used).unwrap_or_default();
            let Ok(line) = envelope_line(arrivals.iter().copied()) else { continue };
            let Some((stages, room)) = self.stages.split_at_mut_checked(report.stages) else { continue };
            let of_other = replay(arrivals, &[], line.working(), &setup, room);
            if of_other.stages == 0 || of_other.stages >= room.len() {
                return Err(BatchError::Room);
            }
            let other = (room.get(..of_other.stages).unwrap_or_default(), &of_other);
            let _ = join(stages, report, other, &of.ground.setup, stream.fills_us() - reference.fills_us());
        }
        Ok(())
    }

    fn host_ns(&self, place: &Place) -> i64 {
        self.received.packet(place.row).map_or(0, |(_, stamp)| stamp.host_ns)
    }

    /// What is constant about a timeline's estimate.
    fn ground_of(&self, timeline: &Timeline) -> Ground {
        match timeline.clock {
            CountClock::Ticks => self.ground,
            CountClock::Samples => self.ground.by_samples(),
        }
    }

    /// Lays out the arrivals of some packets, cleaned of nonsense; their timeline begins `begins_s` after the origin that they are to be counted from.
    fn arrivals(
        &mut self,
        places: &[Place],
        (timeline, frame): (&Timeline, &Frame),
        setup: &Setup,
        begins_s: f64,
    ) -> Result<Found, BatchError> {
        let received = self.received;
        let mut filled =
            Filled { arrivals: self.arrivals, count: 0, span_s: (f64::INFINITY, f64::NEG_INFINITY) };
        let mut gate = Gate::default();
        for place in places {
            if let (Some(count), Some((_, stamp))) =
                (timeline.count(place.counted()), received.packet(place.row))
            {
                let arrival = frame.arrival(count, stamp.host_ns).behind(place.behind_us);
                let arrival = arrival.since_earlier(begins_s);
                gate.admit(arrival).into_iter().flatten().try_for_each(|arrival| filled.push(arrival))?;
            }
        }
        gate.close().into_iter().try_for_each(|arrival| filled.push(arrival))?;
        let (count, span_s) = (filled.count, filled.span_s);
        let admitted = self.arrivals.get_mut(..count).unwrap_or_default();
        let used = without_early(admitted);
        let early = u64::try_from(count.saturating_sub(used)).unwrap_or(0);
        let used = without_backlogs(admitted.get_mut(..used).unwrap_or_default(), setup);
        Ok(Found { used, wild: gate.dropped.saturating_add(early), span_s })
    }

    /// How the segment reads the ticks of exchanges and markers; `None` where there are no ticks.
    fn sightings(&self, of: &Estimated) -> Option<Sightings> {
        let ticks = self.config.ticks?;
        let frame = Frame {
            device_origin: of.timeline.first_tick?.whole,
            counts_per_s: ticks.hz,
            host_origin_ns: of.frame.host_origin_ns,
        };
        Sightings::new(ticks.bits, frame, of.ground.host_step_us)
    }
}

/// How many arrivals were found, and what was left out.
struct Found {
    used: usize,
    wild: u64,
    /// Least and greatest device time, s.
    span_s: (f64, f64),
}

/// The arrivals of a segment, as far as they are found.
struct Filled<'a> {
    arrivals: &'a mut [Arrival],
    count: usize,
    span_s: (f64, f64),
}

impl Filled<'_> {
    fn push(&mut self, arrival: Arrival) -> Result<(), BatchError> {
        *self.arrivals.get_mut(self.count).ok_or(BatchError::Room)? = arrival;
        self.count = self.count.saturating_add(1);
        let (from_s, to_s) = &mut self.span_s;
        *from_s = if arrival.device_s < *from_s { arrival.device_s } else { *from_s };
        *to_s = if arrival.device_s > *to_s { arrival.device_s } else { *to_s };
        Ok(())
    }
}

impl Estimated {
    /// Gives the events that may belong to this segment their answers.
    fn answer(&self, places: &mut [Place], events: &mut [Asked], known: &dyn Fn(f64) -> (Knot, f64)) {
        sort(places, &|a, b| (a.index, a.rank) < (b.index, b.rank));
        let (from_s, to_s) = self.span_s;
        for event in events {
            let begun = (self.segment, self.frame);
            let placed = self.ground.place(begun, self.fixed_delay, event.host_ns, event.latency, known);
            let at_s = placed.placement.device_s;
            let after_begin = at_s >= from_s && at_s >= 0.0;
            let within = after_begin && at_s <= to_s;
            if within || event.answer.is_none() || (after_begin && !event.within) {
                let counted = |place: usize| places.get(place).map(Place::counted);
                let samples = self.timeline.samples_at(&self.frame, at_s, places.len(), counted);
                event.answer = Some((placed, samples));
                event.within |= within;
            }
        }
    }
}

impl Ground {
    /// The same for a timeline that counts samples, exact as they are.
    fn by_samples(&self) -> Self {
        let mut ground = *self;
        ground.setup.resolution_us = self.host_step_us;
        ground.setup.device_step_us = 0.0;
        ground.half_tick_us = 0.0;
        ground
    }
}

#[cfg(test)]
mod tests;
