//! From a recording to placed events: the whole way.

use std::collections::{BTreeMap, BTreeSet};

use tickseam::block::{Arrival, Deliveries};
use tickseam::frame::Frame;
use tickseam::gaps::missing_in_sorted;
use tickseam::intake::{CountClock, IntakeConfigError};
use tickseam::placement::{Budget, Placement, Placing, Shift};
use tickseam::setup::CONGESTED_LOSS;
use tickseam::timeline::{Counted, FirstTick, Samples, Timeline};
use tickseam_record::{
    BudgetSummary, Change, Description, Event, EventCounts, EventRow, EventsTable, Exchange, Gap, MapSummary,
    Marker, Packets, Recording, SegmentSummary, Status, StreamSummary,
};
use tickseam_sim::beat::Beat;

use crate::changes::{Cause, Cut};
use crate::continued::LONGEST_SLEEP_S;
use crate::estimate::{Estimate, Ground, OtherStream, Piece, Stamp};
use crate::live_answers::{LiveAnswer, live_answers};
use crate::pairs::Sightings;
use crate::quantile::median;
use crate::reception;
use crate::resolve::{NOWHERE, Places, stream_config};

/// What an alignment may see of a recording: all but the truth.
#[derive(Clone, Copy, Debug)]
pub struct Captured<'a> {
    /// What is known of the clocks, the link and the streams.
    pub description: &'a Description,
    /// The packets in the order in which the host received them.
    pub packets: &'a Packets<'a>,
    /// What happened on the host's clock.
    pub events: &'a [Event],
    /// Two-way exchanges.
    pub exchanges: &'a [Exchange],
    /// Instants that both clocks saw.
    pub markers: &'a [Marker],
}

impl<'a> Captured<'a> {
    /// The recording without its truth.
    pub fn of(recording: &'a Recording) -> Self {
        Self {
            description: &recording.description,
            packets: &recording.packets,
            events: &recording.events,
            exchanges: &recording.exchanges,
            markers: &recording.markers,
        }
    }
}

/// What an alignment found.
#[derive(Debug)]
pub struct Aligned {
    /// One row for each event, in the order of the recording.
    pub events: EventsTable,
    /// Stretches of samples that never came, by stream and segment.
    pub gaps: Vec<Gap>,
    /// What came and what did not, per stream.
    pub streams: Vec<StreamSummary>,
    /// One for each segment of which packets of the reference stream were received.
    pub segments: Vec<SegmentSummary>,
    /// How many events have which status.
    pub counts: EventCounts,
    /// For each event, what simpler ways would have said.
    pub peers: Peers,
    /// For each event, what its `u95_ms` is made of; `None` where it has none.
    pub budgets: Vec<Option<Budget>>,
    /// What is known of the reference stream's clock, by segment; the frame's device time 0 is the onset 0.
    pub estimates: BTreeMap<u32, Estimate>,
    /// Where the samples lie that came, by stream and segment.
    pub sample_timelines: Vec<SampleTimeline>,
    /// Sentences about what was passed over or is not as it should be.
    pub remarks: Vec<String>,
    /// From the first packet's host stamp to the last one's, s.
    pub duration_s: f64,
}

/// Where the samples of one stream lie in one segment. Of packets that came twice, the first counts.
#[derive(Clone, Debug, PartialEq)]
pub struct SampleTimeline {
    /// Stream, counted from 0 as `recording.toml` describes them.
    pub stream: usize,
    /// Segment, counted from 0.
    pub segment: u32,
    /// Rows of `packets.csv`, from 0, in the order of the sequence.
    pub rows: Vec<u32>,
    /// Of each row, the sequence number, its turns counted.
    pub index: Vec<i64>,
    /// Of each row, when its first sample was taken, s at the nominal rate of the device's clock since the stream's first sample
    /// received in the segment. A packet without a tick among those with one begins where the packet before it ends; after a gap it is
    /// left out.
    pub first_s: Vec<f64>,
    /// That first sample on the reference stream's timeline, s; `None` where no common clock tells, or the reference stream has no
    /// packets in the segment.
    pub begins_s: Option<f64>,
}

/// Simpler ways to place the same events: onsets in the segment of the event's row, s.
#[derive(Clone, Debug, Default)]
pub struct Peers {
    /// The newest packet's stamp taken for exact, less the fixed delay.
    pub arrival_stamp: Vec<Option<f64>>,
    /// A straight line by least squares through all arrivals, less the fixed delay.
    pub least_squares: Vec<Option<f64>>,
}

/// The packets of one stream in one segment.
#[derive(Debug, Default)]
struct Group {
    /// Rows in the order of reception.
    received: Vec<u32>,
    /// Rows in the order of the sequence, each index once.
    sorted: Vec<u32>,
    /// What its device times are counted by, and where it begins; `None` while it is empty.
    timeline: Option<Timeline>,
}

type Groups = BTreeMap<(u32, usize), Group>;

fn group(captured: &Captured<'_>, places: &Places) -> Groups {
    let packets = captured.packets;
    let mut groups = Groups::new();
    let mut newest: Vec<(u32, Group)> =
        (0..places.counts.len()).map(|_| (NOWHERE, Group::default())).collect();
    for (row, (&segment, &stream)) in places.segment.iter().zip(packets.stream()).enumerate() {
        if segment == NOWHERE {
            continue;
        }
        let stream = usize::from(stream);
        let (of, group) = &mut newest[stream];
        if *of != segment {
            if *of != NOWHERE {
                groups.insert((*of, stream), std::mem::take(group));
            }
            // Packets of the old numbering may straggle in after a restart.
            *group = groups.remove(&(segment, stream)).unwrap_or_default();
            *of = segment;
        }
        group.received.push(u32::try_from(row).unwrap_or(NOWHERE));
    }
    for (stream, (segment, group)) in newest.into_iter().enumerate() {
        if segment != NOWHERE {
            groups.insert((segment, stream), group);
        }
    }
    for group in groups.values_mut() {
        group.sorted.clone_from(&group.received);
        // Stable, so that of two packets with one index the earlier one stays.
        group.sorted.sort_by_key(|&row| places.index[row as usize]);
        group.sorted.dedup_by_key(|row| places.index[*row as usize]);
    }
    for (&(_, stream), group) in &mut groups {
        let stamped = group.sorted.iter().map(|&row| counted(captured, places, row as usize));
        let described = &captured.description.streams[stream];
        group.timeline =
            Timeline::of(stamped, stream_config(described), captured.description.device_clock.tick_hz);
    }
    groups
}

fn counted(captured: &Captured<'_>, places: &Places, row: usize) -> Counted {
    let tick = captured.packets.tick(row).filter(|_| captured.description.device_clock.tick_hz.is_some());
    Counted {
        index: places.index[row],
        tick: tick.map(|_| places.device[row]),
        samples: u32::from(captured.packets.samples()[row]),
    }
}

impl Group {
    fn clock(&self) -> CountClock {
        self.timeline.map_or(CountClock::Samples, |timeline| timeline.clock)
    }

    fn first_tick(&self) -> Option<FirstTick> {
        self.timeline?.first_tick
    }
}

/// Everything that is looked up while events are placed.
struct Ways<'a> {
    captured: &'a Captured<'a>,
    places: &'a Places,
    groups: &'a Groups,
    fixed_delay: Option<Shift>,
    /// How far each packet came behind the first of its delivery, µs.
    behind_us: &'a [f32],
}

impl Ways<'_> {
    /// A packet's first sample on its group's clock; `None` for a packet without a tick among those with one.
    fn count(&self, group: &Group, row: usize) -> Option<i64> {
        group.timeline?.count(counted(self.captured, self.places, row))
    }

    /// The same as if the packet held its stream's usual number of samples up to its last: a packet of one sample more can go one
    /// sample later after its first, and the fixed delay is the usual packet's.
    fn sent_count(&self, group: &Group, row: usize) -> Option<i64> {
        let count = self.count(group, row)?;
        let Captured { description, packets, .. } = *self.captured;
        let described = &description.streams[usize::from(packets.stream()[row])];
        let samples = packets.samples()[row];
        if group.clock() == CountClock::Samples || samples == described.samples_per_packet {
            return Some(count);
        }
        let more = f64::from(samples) - f64::from(described.samples_per_packet);
        let counts = more / described.rate_hz * description.device_clock.tick_hz?;
        Some(count.saturating_add(counts.round() as i64))
    }

    /// Where both clocks of a group are counted from: the first sample of its earliest packet.
    fn frame(&self, group: &Group) -> Option<Frame> {
        let host_ns = self.captured.packets.host_ns()[*group.sorted.first()? as usize];
        Some(group.timeline?.frame(host_ns, self.captured.description.device_clock.tick_hz))
    }

    /// What is constant about a stream's own estimate: its fixed delay differs by how long its packets take to fill.
    fn ground(&self, stream: usize, clock: CountClock) -> Ground {
        let streams = &self.captured.description.streams;
        let later_us = self.fills_later_us(stream);
        let fixed_delay = self.fixed_delay.map(|delay| Shift { us: delay.us + later_us, ..delay });
        let period_s = stream_config(&streams[stream]).period_s();
        Ground::new(self.captured.description, clock == CountClock::Ticks, fixed_delay, period_s)
    }

    /// By how much longer than the reference stream's a stream's packets take to fill, µs.
    fn fills_later_us(&self, stream: usize) -> f64 {
        let fills_us = |stream: usize| stream_config(&self.captured.description.streams[stream]).fills_us();
        fills_us(stream) - fills_us(0)
    }

    /// Whether so many of a segment's packets are missing, of all streams, that a queue may overflow.
    fn overflows(&self, segment: u32) -> bool {
        let (mut sent, mut received) = (0.0, 0.0);
        for (_, group) in self.groups.range((segment, 0)..=(segment, usize::MAX)) {
            let index = |row: &u32| self.places.index[*row as usize];
            if let Some((first, last)) = group.sorted.first().zip(group.sorted.last()) {
                sent += index(last).saturating_sub(index(first)) as f64 + 1.0;
                received += group.sorted.len() as f64;
            }
        }
        received < (1.0 - CONGESTED_LOSS) * sent
    }

    /// Exchanges and markers as a group of the reference stream sees them.
    fn sightings(&self, segment: u32, group: &Group) -> Option<Sightings<'_>> {
        // Their ticks would have to be put right one by one.
        if self.places.tick_steps.iter().any(|step| step.segment == segment) {
            return None;
        }
        let Captured { description, exchanges, markers, .. } = *self.captured;
        let clock = &description.device_clock;
        let ticks = Frame {
            device_origin: group.first_tick()?.whole,
            counts_per_s: clock.tick_hz?,
            host_origin_ns: self.frame(group)?.host_origin_ns,
        };
        let host_step_us = description.host_clock.resolution_ns / 1e3;
        Sightings::new(exchanges, markers, clock.tick_bits?, ticks, host_step_us)
    }

    fn estimate(&self, (segment, stream): (u32, usize), group: &Group) -> Option<Estimate> {
        let frame = self.frame(group)?;
        let others = if stream == 0 { self.others(segment, group, frame) } else { Vec::new() };
        let sightings = if stream == 0 { self.sightings(segment, group) } else { None };
        let ground = Ground { overflows: self.overflows(segment), ..self.ground(stream, group.clock()) };
        let expected = group.received.len();
        Estimate::new(frame, ground, self.stamps(group), expected, sightings.as_ref(), &others)
    }

    /// A group's stamps in the order of reception.
    fn stamps<'g>(&'g self, group: &'g Group) -> impl Iterator<Item = Stamp> + 'g {
        group.received.iter().filter_map(|&row| {
            let row = row as usize;
            let count = self.sent_count(group, row)?;
            Some((count, self.captured.packets.host_ns()[row], self.behind_us[row]))
        })
    }

    /// The other streams of a segment whose ticks are the reference stream's.
    fn others(&self, segment: u32, reference: &Group, frame: Frame) -> Vec<OtherStream> {
        let other = |(&(_, stream), group): (&(u32, usize), &Group)| {
            let begins_s = self.begins_s(reference, group)?;
            let tick_hz = self.captured.description.device_clock.tick_hz;
            let frame = group.timeline?.frame(frame.host_origin_ns, tick_hz);
            let described = stream_config(&self.captured.description.streams[stream]);
            let setup = self.ground(stream, group.clock()).setup.of_another(&described);
            let (later_us, expected) = (self.fills_later_us(stream), group.received.len());
            Some(OtherStream::new(stream, frame, setup, begins_s, later_us, self.stamps(group), expected))
        };
        self.groups.range((segment, 1)..=(segment, usize::MAX)).filter_map(other).collect()
    }

    /// First sample of a stream on the timeline of the segment's reference stream, s; `None` where only their own
    /// arrivals could tell.
    fn begins_s(&self, reference: &Group, group: &Group) -> Option<f64> {
        group.timeline?.begins_s(&reference.timeline?, self.captured.description.device_clock.tick_hz?)
    }

    /// Whether samples were received at a device time of a group, s since its origin.
    fn received_at(&self, group: &Group, frame: &Frame, device_s: f64) -> Status {
        let packet = |at: usize| Some(counted(self.captured, self.places, *group.sorted.get(at)? as usize));
        let samples = |timeline: Timeline| timeline.samples_at(frame, device_s, group.sorted.len(), packet);
        match group.timeline.map(samples) {
            Some(Samples::Received) => Status::Placed,
            Some(Samples::Lost) => Status::InGap,
            Some(Samples::Outside) | None => Status::Outside,
        }
    }

    fn sample_timelines(&self) -> Vec<SampleTimeline> {
        let timeline = |(&(segment, stream), group): (&(u32, usize), &Group)| {
            let frame = self.frame(group)?;
            let mut timeline = SampleTimeline {
                stream,
                segment,
                rows: Vec::with_capacity(group.sorted.len()),
                index: Vec::with_capacity(group.sorted.len()),
                first_s: Vec::with_capacity(group.sorted.len()),
                begins_s: match self.groups.get(&(segment, 0)) {
                    Some(_) if stream == 0 => Some(0.0),
                    Some(reference) => self.begins_s(reference, group),
                    None => None,
                },
            };
            for &row in &group.sorted {
                let index = self.places.index[row as usize];
                let first_s = match self.count(group, row as usize) {
                    Some(count) => frame.device_s(count),
                    // A packet without a tick among those with one begins where the one before it ends.
                    None => match (timeline.rows.last(), timeline.index.last(), timeline.first_s.last()) {
                        (Some(&before), Some(&last), Some(&first_s)) if index == last.saturating_add(1) => {
                            let samples = self.captured.packets.samples()[before as usize];
                            first_s + f64::from(samples) / self.captured.description.streams[stream].rate_hz
                        }
                        _ => continue,
                    },
                };
                timeline.rows.push(row);
                timeline.index.push(index);
                timeline.first_s.push(first_s);
            }
            Some(timeline)
        };
        self.groups.iter().filter_map(timeline).collect()
    }

    fn gaps(&self) -> Vec<Gap> {
        let packets = self.captured.packets;
        let mut gaps = Vec::new();
        for (stream, described) in self.captured.description.streams.iter().enumerate() {
            let samples_per_packet = u32::from(described.samples_per_packet);
            let of_stream = self.groups.iter().filter(|((_, of), _)| *of == stream);
            for (&(segment, _), group) in of_stream {
                let index = |row: u32| self.places.index[row as usize];
                let Some(&first) = group.sorted.first() else { continue };
                let first_index = index(first);
                let begins_s = match self.groups.get(&(segment, 0)) {
                    Some(_) if stream == 0 => Some(0.0),
                    Some(reference) => self.begins_s(reference, group),
                    None => None,
                };
                let frame = self.frame(group);
                for gap in missing_in_sorted(group.sorted.iter().map(|&row| index(row))) {
                    let after = group.sorted.partition_point(|&row| index(row) < gap.first_index);
                    let neighbour =
                        |at: Option<usize>| at.and_then(|at| group.sorted.get(at)).map(|&row| row as usize);
                    let (before, after) = (neighbour(after.checked_sub(1)), neighbour(Some(after)));
                    let onset_s = before.zip(frame).and_then(|(row, frame)| {
                        let last_s = frame.device_s(self.count(group, row)?);
                        Some(begins_s? + last_s + f64::from(packets.samples()[row]) / described.rate_hz)
                    });
                    let samples_missing = gap.samples(samples_per_packet);
                    gaps.push(Gap {
                        stream: described.name.clone(),
                        segment,
                        first_missing_sequence: gap.first_index,
                        packets_missing: gap.count,
                        first_missing_sample: gap
                            .first_index
                            .saturating_sub(first_index)
                            .saturating_mul(i64::from(samples_per_packet)),
                        samples_missing,
                        onset_s,
                        duration_s: Some(samples_missing as f64 / described.rate_hz),
                        host_before_ns: before.map(|row| packets.host_ns()[row]),
                        host_after_ns: after.map(|row| packets.host_ns()[row]),
                    });
                }
            }
        }
        gaps
    }
}

/// From the first packet's host stamp to the last one's, s.
fn duration_s(packets: &Packets<'_>) -> f64 {
    let host_ns = packets.host_ns();
    match (host_ns.first(), host_ns.last()) {
        (Some(first), Some(last)) => last.saturating_sub(*first) as f64 / 1e9,
        _ => 0.0,
    }
}

/// Jumps of the tick that a recording may have, and per minute: more are no accidents. Own choice. Doubled: a counter that is read when
/// packets are sent is believed twice as long, and each of its jumps with it.
const JUMPS: usize = 8;
const JUMPS_PER_MINUTE: f64 = 1.0;

/// Whether the tick jumps against the sequence numbers all the time, as one does that is read when packets are sent, while the sequence
/// numbers count samples as well.
fn is_restless(captured: &Captured<'_>, places: &Places) -> bool {
    let minutes = duration_s(captured.packets) / 60.0;
    let jumps = places.tick_steps.len();
    jumps > JUMPS && jumps as f64 > JUMPS_PER_MINUTE * minutes && places.varying_samples == 0
}

/// A loss that is less than this share of a turn is no longer one with a whole turn more, if that takes so long, s: sleeps of all lengths are
/// about as frequent on a scale of ratios (own choice). Doubled: so much likelier that a whole turn is passed over.
const LITTLE_OF_A_TURN: f64 = 1.0 / 64.0;
const LONG_TURN_S: f64 = 600.0;
/// Packets before and after the moment of waking among which the loss is sought: what a headset's queue holds.
const NEAR_A_SLEEP: usize = 400;

/// First packets after sleeps of the host in which a counter may have made any number of turns, in the order of reception: without
/// ticks only the host's clock tells, and that stood still.
fn sleeps_of_unknown_length(
    captured: &Captured<'_>,
    places: &Places,
    estimates: &BTreeMap<u32, Estimate>,
) -> Vec<u32> {
    let described = &captured.description.streams[0];
    let turn = f64::from(described.sequence_bits).exp2();
    let turn_s = stream_config(described).period_s() * turn;
    let sleep = |piece: &Piece| piece.cut.filter(|cut| cut.cause == Cause::HostSuspend);
    let slept = estimates.values().flat_map(|estimate| &estimate.pieces).any(|piece| sleep(piece).is_some());
    if turn_s > LONGEST_SLEEP_S || !slept {
        return Vec::new();
    }
    let groups = group(captured, places);
    let mut sleeps = Vec::new();
    for (&segment, estimate) in estimates {
        let Some(group) = groups.get(&(segment, 0)).filter(|group| group.first_tick().is_none()) else {
            continue;
        };
        for cut in estimate.pieces.iter().filter_map(sleep) {
            let woke_ns = estimate.frame.host_ns(0.0, cut.before_until_us);
            let told = |lost: i64| turn_s > LONG_TURN_S && (lost as f64) < LITTLE_OF_A_TURN * turn;
            let loss = largest_loss_near(captured, places, group, woke_ns);
            sleeps.extend(loss.filter(|&(_, lost)| !told(lost)).map(|(row, _)| row));
        }
    }
    sleeps.sort_unstable();
    sleeps.dedup();
    sleeps
}

/// The packet behind the longest run of lost ones among those of a group received near a host time, and how many numbers it is ahead;
/// `None` where none were lost.
fn largest_loss_near(
    captured: &Captured<'_>,
    places: &Places,
    group: &Group,
    host_ns: i64,
) -> Option<(u32, i64)> {
    let stamps = captured.packets.host_ns();
    let at = group.received.partition_point(|&row| stamps[row as usize] < host_ns);
    let near =
        &group.received[at.saturating_sub(NEAR_A_SLEEP)..(at + NEAR_A_SLEEP).min(group.received.len())];
    let lost = |pair: &&[u32]| places.index[pair[1] as usize] - places.index[pair[0] as usize];
    let largest = near.windows(2).max_by_key(lost)?;
    Some((largest[1], lost(&largest))).filter(|&(_, lost)| lost > 1)
}

/// The alignment by the count of samples alone.
fn align_by_samples(captured: &Captured<'_>, jumps: usize) -> Result<Aligned, IntakeConfigError> {
    let mut description = captured.description.clone();
    description.device_clock.tick_hz = None;
    description.device_clock.tick_bits = None;
    let by_samples = Captured { description: &description, exchanges: &[], markers: &[], ..*captured };
    let mut aligned = align_in_order(&by_samples)?;
    let mut remark = format!(
        "The tick jumped {jumps} times against the sequence numbers: it may not be read at a packet's first sample. Time was counted by \
         samples instead."
    );
    if !captured.exchanges.is_empty() || !captured.markers.is_empty() {
        remark.push_str(" Exchanges and markers need the tick and were left out.");
    }
    aligned.remarks.insert(0, remark);
    Ok(aligned)
}

/// Aligns a recording: places its events on the sample timeline of the reference stream.
///
/// Two threads: one replays, one hears the causal estimator. Packets that were written down in another order than that of their reception
/// are put back into it before either does.
///
/// # Errors
/// A stream or counter that no device can have, as `recording.toml` describes it.
pub fn align(captured: &Captured<'_>) -> Result<Aligned, IntakeConfigError> {
    let Some(order) = reception::order(captured.description, captured.packets) else {
        return align_in_order(captured);
    };
    let packets: Packets<'_> = order.iter().filter_map(|&row| captured.packets.get(row as usize)).collect();
    let mut aligned = align_in_order(&Captured { packets: &packets, ..*captured })?;
    for row in aligned.sample_timelines.iter_mut().flat_map(|timeline| &mut timeline.rows) {
        *row = order[*row as usize];
    }
    let n = reception::misplaced(&order);
    aligned.remarks.push(format!(
        "{n} {} behind packets with later stamps and later numbers, as if written down late: all were taken in the order of their stamps.",
        if n == 1 { "packet stands" } else { "packets stand" }
    ));
    Ok(aligned)
}

/// The alignment of packets that are in the order of reception.
fn align_in_order(captured: &Captured<'_>) -> Result<Aligned, IntakeConfigError> {
    let mut places = Places::find(captured.description, captured.packets)?;
    if is_restless(captured, &places) {
        return align_by_samples(captured, places.tick_steps.len());
    }
    let aligned = align_placed(captured, &places);
    let sleeps = sleeps_of_unknown_length(captured, &places, &aligned.estimates);
    if sleeps.is_empty() {
        return Ok(aligned);
    }
    places.restart_at(&sleeps);
    Ok(align_placed(captured, &places))
}

/// The alignment of packets whose places are known.
fn align_placed(captured: &Captured<'_>, places: &Places) -> Aligned {
    let Captured { description, packets, events, .. } = *captured;
    let groups = group(captured, places);
    let link = &description.link;
    let fixed_delay = link
        .fixed_delay_ms
        .map(|ms| Shift { us: ms * 1e3, u_us: link.fixed_delay_u_ms.unwrap_or(0.0) * 1e3 });
    let mut deliveries = Deliveries::default();
    let behind_us: Vec<f32> =
        packets.host_ns().iter().map(|&host_ns| deliveries.observe(host_ns) as f32).collect();
    let ways = Ways { captured, places, groups: &groups, fixed_delay, behind_us: &behind_us };
    let latencies: Vec<Shift> = events
        .iter()
        .map(|event| {
            description.event_latency.get(&event.label).map_or_else(Shift::default, |latency| Shift {
                us: latency.latency_ms * 1e3,
                u_us: latency.latency_u_ms * 1e3,
            })
        })
        .collect();

    let session_of = |segment: u32| {
        let group = groups.get(&(segment, 0))?;
        Some((ways.frame(group)?, ways.ground(0, group.clock())))
    };
    let count_of = |segment: u32, row: usize| ways.sent_count(groups.get(&(segment, 0))?, row);
    let sightings_of = |segment: u32| ways.sightings(segment, groups.get(&(segment, 0))?);
    let (live, estimates, own) = std::thread::scope(|scope| {
        let live = scope.spawn(|| {
            live_answers(captured, places, &latencies, &behind_us, session_of, count_of, sightings_of)
        });
        let mut estimates: BTreeMap<u32, Estimate> = BTreeMap::new();
        // Streams whose packets do not share the reference stream's clock need estimates of their own.
        let mut own: BTreeMap<(u32, usize), Estimate> = BTreeMap::new();
        for (&(segment, stream), group) in &groups {
            let shares =
                groups.get(&(segment, 0)).is_some_and(|reference| ways.begins_s(reference, group).is_some());
            if stream == 0 {
                estimates.extend(ways.estimate((segment, 0), group).map(|estimate| (segment, estimate)));
            } else if !shares && !events.is_empty() {
                own.extend(
                    ways.estimate((segment, stream), group).map(|estimate| ((segment, stream), estimate)),
                );
            }
        }
        let live = live.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (live, estimates, own)
    });

    let mut table = EventsTable {
        further_streams: description.streams.iter().skip(1).map(|stream| stream.name.clone()).collect(),
        rows: Vec::with_capacity(events.len()),
    };
    let mut budgets = Vec::new();
    let mut peers = Peers::default();
    let rate_hz = description.streams[0].rate_hz;
    for ((event, &latency), live) in events.iter().zip(&latencies).zip(live) {
        let chosen = choose(&estimates, event.host_ns, latency);
        let mut row = EventRow {
            onset_s: None,
            duration_s: event.duration_ms.map(|duration_ms| duration_ms / 1e3),
            label: event.label.clone(),
            sample: None,
            host_ns: event.host_ns,
            segment: None,
            u95_ms: None,
            status: Status::Unplaced,
            live_onset_s: None,
            live_u95_ms: None,
            further_samples: vec![None; table.further_streams.len()],
            excludes_fixed_delay: false,
        };
        let Some(Chosen { segment, estimate, piece, placement }) = chosen else {
            table.rows.push(row);
            budgets.push(None);
            peers.arrival_stamp.push(None);
            peers.least_squares.push(None);
            continue;
        };
        let group = &groups[&(segment, 0)];
        row.status = ways.received_at(group, &estimate.frame, placement.device_s);
        row.onset_s = Some(placement.device_s);
        row.sample = Some(placement.device_s * rate_hz);
        row.segment = Some(segment);
        row.u95_ms = Some(placement.u95_us / 1e3);
        row.excludes_fixed_delay = piece.fixed_delay().is_none();
        if let Some(LiveAnswer { device_s, u95_ms, .. }) = live.filter(|answer| answer.segment == segment) {
            row.live_onset_s = Some(device_s);
            row.live_u95_ms = Some(u95_ms);
        }
        for (further, sample) in row.further_samples.iter_mut().enumerate() {
            let stream = further + 1;
            let rate_hz = description.streams[stream].rate_hz;
            let Some(own_group) = groups.get(&(segment, stream)) else { continue };
            *sample = match ways.begins_s(group, own_group) {
                Some(begins_s) => Some((placement.device_s - begins_s) * rate_hz),
                None => own.get(&(segment, stream)).and_then(|own| {
                    let piece = last_begun(own, event.host_ns, latency).or(own.pieces.first())?;
                    Some(own.place(piece, event.host_ns, latency).device_s * rate_hz)
                }),
            };
        }
        budgets.push(Some(placement.budget));
        peers.arrival_stamp.push(by_arrival_stamp(estimate, piece, event.host_ns, latency));
        peers.least_squares.push(by_least_squares(estimate, piece, event.host_ns, latency));
        table.rows.push(row);
    }

    let gaps = ways.gaps();
    let streams = stream_summaries(&ways, &gaps);
    let segments =
        estimates.iter().map(|(&segment, estimate)| segment_summary(&ways, segment, estimate)).collect();
    Aligned {
        counts: count_events(&table, &budgets),
        remarks: remarks(&ways, &estimates, !own.is_empty()),
        events: table,
        gaps,
        streams,
        segments,
        peers,
        budgets,
        sample_timelines: ways.sample_timelines(),
        estimates,
        duration_s: duration_s(packets),
    }
}

/// The segment and piece that an event is placed under, and where.
#[derive(Clone, Copy)]
struct Chosen<'a> {
    segment: u32,
    estimate: &'a Estimate,
    piece: &'a Piece,
    placement: Placement,
}

/// The last piece that the event falls into; where there is none, the last one that had begun; else the first of all.
fn choose(estimates: &BTreeMap<u32, Estimate>, host_ns: i64, latency: Shift) -> Option<Chosen<'_>> {
    let mut begun: Option<Chosen<'_>> = None;
    let mut within: Option<Chosen<'_>> = None;
    for (&segment, estimate) in estimates {
        let event_us = estimate.frame.host_us(host_ns);
        for piece in &estimate.pieces {
            let mut placement = estimate.place(piece, host_ns, latency);
            let covers = piece.host_us.0 <= event_us && event_us <= piece.host_us.1;
            // Where a piece ends by a change of the host's clock, the host's time says more than the last packets do.
            let after_begin = (covers && piece.cut.is_some()) || placement.device_s >= piece.from_s.max(0.0);
            let before_end = piece.host_us.1.is_finite() || placement.device_s <= piece.to_s;
            // Behind a sleep a piece begins with packets from before it: device time alone does not tell that an event was later.
            if begun.is_some() && (!after_begin || event_us < piece.host_us.0) {
                continue;
            }
            if covers && after_begin && before_end {
                // After the host's clock was set back, some of its times came twice: the interval has to hold both.
                if let Some(earlier) = within.filter(|earlier| earlier.segment == segment) {
                    let sooner_us = (earlier.placement.device_s - placement.device_s) * 1e6;
                    let from_us = (-placement.u95_us).min(sooner_us - earlier.placement.u95_us);
                    let to_us = placement.u95_us.max(sooner_us + earlier.placement.u95_us);
                    // During a slew, or where nothing tells when the clock was set, the middle is nearest to all that is possible.
                    let between = piece.cut.is_some_and(|cut| cut.resume > cut.place);
                    let at_us = if between { f64::midpoint(from_us, to_us) } else { 0.0 };
                    placement.device_s += at_us / 1e6;
                    placement = placement.reaching((to_us - at_us).max(at_us - from_us));
                }
                within = Some(Chosen { segment, estimate, piece, placement });
            }
            begun = Some(Chosen { segment, estimate, piece, placement });
        }
    }
    within.or(begun)
}

/// The last piece of an estimate that had begun when an event happened.
fn last_begun(estimate: &Estimate, host_ns: i64, latency: Shift) -> Option<&Piece> {
    let begun = |piece: &&Piece| estimate.place(piece, host_ns, latency).device_s >= piece.from_s;
    estimate.pieces.iter().rev().find(begun)
}

fn host_us(arrival: &Arrival) -> f64 {
    arrival.residual_us + arrival.device_s * 1e6
}

fn by_arrival_stamp(estimate: &Estimate, piece: &Piece, host_ns: i64, latency: Shift) -> Option<f64> {
    let arrivals = &estimate.arrivals[piece.arrivals.clone()];
    let event_us = estimate.frame.host_us(host_ns);
    let newest = arrivals.partition_point(|arrival| host_us(arrival) <= event_us).checked_sub(1)?;
    let newest = arrivals.get(newest)?;
    let since_us =
        event_us + latency.us + estimate.ground.fixed_delay.unwrap_or_default().us - host_us(newest);
    Some(newest.device_s + since_us / 1e6 - estimate.ground.half_tick_us * 1e-6)
}

fn by_least_squares(estimate: &Estimate, piece: &Piece, host_ns: i64, latency: Shift) -> Option<f64> {
    let line = piece.least_squares.as_ref()?;
    let extra_us =
        latency.us + estimate.ground.fixed_delay.unwrap_or_default().us + estimate.ground.host_step_us / 2.0;
    let device_s = estimate.frame.device_s_at(host_ns, extra_us, |x| line.predict(x).value);
    Some(device_s - estimate.ground.half_tick_us * 1e-6)
}

fn stream_summaries(ways: &Ways<'_>, gaps: &[Gap]) -> Vec<StreamSummary> {
    ways.captured
        .description
        .streams
        .iter()
        .zip(&ways.places.counts)
        .map(|(described, counts)| {
            let mut summary = StreamSummary {
                name: described.name.clone(),
                packets_received: counts.used,
                duplicates: counts.duplicates,
                late: counts.late,
                rejected: counts.rejected,
                ..StreamSummary::default()
            };
            for gap in gaps.iter().filter(|gap| gap.stream == described.name) {
                summary.packets_missing = summary.packets_missing.saturating_add(gap.packets_missing);
                summary.samples_missing = summary.samples_missing.saturating_add(gap.samples_missing);
                summary.gaps += 1;
                summary.longest_gap_s = summary.longest_gap_s.max(gap.duration_s.unwrap_or(0.0));
            }
            summary
        })
        .collect()
}

/// Least stretch of device time that one map of `alignment.json` covers, s, and most maps of one piece.
const MAP_SPAN_S: f64 = 60.0;
const MOST_MAPS: f64 = 500.0;
/// The least beat that is one, ms: a divisor of periods as they are chosen, not as they are measured (own choice).
const LEAST_BEAT_MS: f64 = 0.02;

fn segment_summary(ways: &Ways<'_>, segment: u32, estimate: &Estimate) -> SegmentSummary {
    let packets = ways.captured.packets;
    let group = &ways.groups[&(segment, 0)];
    let stamp_ns = |row: Option<&u32>| row.map_or(0, |&row| packets.host_ns()[row as usize]);
    let described = &ways.captured.description.streams[0];
    let longest = estimate.pieces.iter().max_by(|a, b| (a.to_s - a.from_s).total_cmp(&(b.to_s - b.from_s)));
    let report = longest.and_then(Piece::report);
    // Where the clock rests on exchanges and markers, what was declared still says how long a packet is on its way.
    let fixed_delay = match report {
        Some(report) if !report.by_pairs => report.fixed_delay,
        _ => ways.fixed_delay,
    };
    let grid_interval_ms = report.and_then(|report| report.interval).map(|grid| grid.period_us / 1e3);
    // Packets whose size varies at random come at all phases that one sample reaches.
    let varies = 10 * ways.places.varying_samples >= packets.len() as u64;
    let batched = report.is_some_and(|report| report.collected_us > 0.0 && !report.congested);
    // A period that was measured divides none but by a sliver: packets meet all its phases, and there is no beat. What beats beneath an app's batches does
    // not show.
    let beat_ms = grid_interval_ms.filter(|_| !batched).and_then(|grid_ms| {
        let samples = u32::from(described.samples_per_packet);
        let beat = Beat::new(described.rate_hz, samples, u32::from(varies), grid_ms);
        (beat.divisor_ms >= LEAST_BEAT_MS).then_some(beat.divisor_ms)
    });
    let maps: Vec<MapSummary> = estimate.pieces.iter().flat_map(|piece| maps(estimate, piece)).collect();
    // The way of the grid against the packets, in steps of the beat.
    let span_s: f64 = estimate.pieces.iter().map(|piece| piece.to_s - piece.from_s).sum();
    let drift_ppm = maps.iter().map(|map| map.drift_ppm).sum::<f64>() / (maps.len().max(1)) as f64;
    let slip_period_s = report.and_then(|report| report.interval).zip(beat_ms).map(|(grid, beat_ms)| {
        let apart_ppm = (grid.stretch_ppm + drift_ppm).abs().max(1e-3);
        beat_ms * 1e3 / apart_ppm
    });
    let slips = slip_period_s.map(|period_s| span_s / period_s);
    let unseen_ms = report.map(|report| report.doubt_us.max(report.collected_us) / 1e3);
    let unseen_interval_ms = unseen_ms.filter(|&unseen_ms| unseen_ms > 0.0);
    let link_kind = match report {
        None => "too-few-packets",
        Some(report) if report.congested => "congested",
        Some(_) if batched => "batched",
        Some(report) if !report.on_a_grid && unseen_interval_ms.is_some() => "grid-unseen",
        Some(report) if !report.on_a_grid => "no-grid",
        Some(report) if report.may_hide_a_grid() => "grid-polled",
        Some(_) => match slips {
            Some(slips) if slips >= 4.0 => "grid-slipping",
            Some(slips) if slips >= 1.0 => "grid-partly-slipping",
            Some(_) => "grid-locked",
            None if grid_interval_ms.is_some() => "grid-slipping",
            None => "grid-lost",
        },
    };
    let steps = ways.places.tick_steps.iter().filter(|step| step.segment == segment).map(|step| {
        let host_ns = packets.host_ns()[step.row as usize];
        let at_s = match group.clock() {
            CountClock::Ticks => estimate.frame.device_s(ways.places.device[step.row as usize]),
            CountClock::Samples => {
                let off_us = |a: &&Arrival| (a.host_us() - estimate.frame.host_us(host_ns)).abs();
                let near = estimate.arrivals.iter().min_by(|a, b| off_us(a).total_cmp(&off_us(b)));
                near.map_or(0.0, |near| near.device_s)
            }
        };
        let ticks_per_s = ways.captured.description.device_clock.tick_hz.unwrap_or(1.0);
        let step_ms = -(step.ticks as f64) / ticks_per_s * 1e3;
        (at_s, Change { host_ns, step_ms, cause: Cause::DeviceClockStep.name().to_owned() })
    });
    let mut changes_found: Vec<(f64, Change)> = changes_found(estimate).into_iter().chain(steps).collect();
    // In the order of the device's time: the host's may run back.
    changes_found.sort_by(|(a_s, _), (b_s, _)| a_s.total_cmp(b_s));
    SegmentSummary {
        segment,
        clock: if group.clock() == CountClock::Ticks { "tick" } else { "sample" }.to_owned(),
        clock_hz: estimate.frame.counts_per_s,
        first_host_ns: stamp_ns(group.received.first()),
        last_host_ns: stamp_ns(group.received.last()),
        arrivals_used: estimate.arrivals.len() as u64,
        exchanges_used: estimate.pieces.iter().map(|piece| piece.exchanges).sum(),
        markers_used: estimate.pieces.iter().map(|piece| piece.markers).sum(),
        streams_joined: streams_joined(ways, estimate),
        link_kind: link_kind.to_owned(),
        grid_interval_ms,
        beat_ms,
        beat_slips: slips,
        slip_period_s,
        unseen_interval_ms,
        declared_interval_refuted: report.is_some_and(|report| report.declared_refuted),
        fixed_delay_refuted: report.is_some_and(|report| report.fixed_delay_refuted),
        fixed_delay_known: estimate.pieces.iter().all(|piece| piece.fixed_delay().is_some()),
        fixed_delay_ms: fixed_delay.map(|delay| delay.us / 1e3),
        fixed_delay_u_ms: fixed_delay.map(|delay| delay.u_us / 1e3),
        maps,
        changes: changes_found.into_iter().map(|(_, change)| change).collect(),
    }
}

/// Names of the other streams whose packets bound the clock too.
fn streams_joined(ways: &Ways<'_>, estimate: &Estimate) -> Vec<String> {
    let joined: BTreeSet<usize> =
        estimate.pieces.iter().flat_map(|piece| piece.streams_joined.iter().copied()).collect();
    joined.into_iter().map(|stream| ways.captured.description.streams[stream].name.clone()).collect()
}

/// All sudden changes of a segment: those of the host's clock, then those of the link's grid.
fn changes_found(estimate: &Estimate) -> Vec<(f64, Change)> {
    let mut changes = Vec::new();
    for piece in &estimate.pieces {
        let sure = piece.cut.filter(|cut| !cut.doubtful);
        if let (Some(cut), Some(first)) = (sure, estimate.arrivals.get(piece.arrivals.start)) {
            let change = Change {
                host_ns: estimate.frame.host_ns(first.device_s, first.residual_us),
                step_ms: cut.step_us / 1e3,
                cause: cut.cause.name().to_owned(),
            };
            changes.push((first.device_s, change));
        }
    }
    for change in &estimate.grid_changes {
        let piece = estimate.pieces.iter().rev().find(|piece| piece.from_s <= change.at_s);
        let residual_us = piece.map_or(0.0, |piece| piece.known_at(change.at_s).0.offset_us);
        let found = Change {
            host_ns: estimate.frame.host_ns(change.at_s, residual_us),
            step_ms: 0.0,
            cause: change.cause.name().to_owned(),
        };
        changes.push((change.at_s, found));
    }
    changes
}

/// The clock maps of a piece, each about its middle, fixed delay and half a tick taken off.
fn maps(estimate: &Estimate, piece: &Piece) -> Vec<MapSummary> {
    let placing = Placing {
        frame: estimate.frame,
        fixed_delay: piece.fixed_delay().unwrap_or_default(),
        resolution_us: estimate.ground.host_step_us,
        curvature_ppm_per_s: piece.curvature_ppm_per_s(),
    };
    let span_s = piece.to_s - piece.from_s;
    let count = (span_s / MAP_SPAN_S).ceil().clamp(1.0, MOST_MAPS);
    (0..count as usize)
        .map(|number| {
            let from_s = piece.from_s + span_s * number as f64 / count;
            let to_s = piece.from_s + span_s * (number as f64 + 1.0) / count;
            let device_origin = estimate.frame.count((from_s + to_s) / 2.0);
            let (knot, _) = piece.known_at(estimate.frame.device_s(device_origin));
            let map = placing.map(&knot, from_s, to_s);
            MapSummary {
                device_origin,
                host_origin_ns: map.host_at(device_origin).host_ns,
                valid_from_s: from_s,
                valid_to_s: to_s,
                drift_ppm: map.drift_ppm(),
                u_drift_ppm: Some(map.u_rate_ppm),
                u_offset_ms: Some(map.u_offset_us / 1e3),
                offset_u95_ms: Some(map.half_width_us / 1e3),
            }
        })
        .collect()
}

fn count_events(table: &EventsTable, budgets: &[Option<Budget>]) -> EventCounts {
    let mut counts = EventCounts { total: table.rows.len() as u64, ..EventCounts::default() };
    for row in &table.rows {
        *match row.status {
            Status::Placed => &mut counts.placed,
            Status::InGap => &mut counts.in_gap,
            Status::Outside => &mut counts.outside,
            Status::Unplaced => &mut counts.unplaced,
        } += 1;
    }
    let known = |row: &&EventRow| matches!(row.status, Status::Placed | Status::InGap);
    let half_widths: Vec<f64> = table.rows.iter().filter(known).filter_map(|row| row.u95_ms).collect();
    counts.u95_largest_ms = half_widths.iter().copied().max_by(f64::total_cmp);
    counts.u95_median_ms = median(half_widths);
    let line =
        |of: fn(&Budget) -> f64| median(budgets.iter().flatten().map(of).collect()).unwrap_or(0.0) / 1e3;
    counts.budget_median = budgets.iter().any(Option::is_some).then(|| BudgetSummary {
        link_ms: line(|budget| budget.link_us),
        statistics_ms: line(|budget| budget.statistics_us),
        lattice_ms: line(|budget| budget.lattice_us),
        curvature_ms: line(|budget| budget.curvature_us),
        holdover_ms: line(|budget| budget.holdover_us),
        fixed_delay_ms: line(|budget| budget.fixed_delay_us),
        resolution_ms: line(|budget| budget.resolution_us),
        latency_ms: line(|budget| budget.latency_us),
    });
    counts
}

fn remarks(ways: &Ways<'_>, estimates: &BTreeMap<u32, Estimate>, own: bool) -> Vec<String> {
    let description = ways.captured.description;
    let mut remarks = Vec::new();
    let wild: u64 = estimates.values().map(|estimate| estimate.wild).sum();
    if wild > 0 {
        remarks.push(format!(
            "{wild} packets have host stamps more than 5 s away from those before and after: not used for the clock."
        ));
    }
    let early: u64 = estimates.values().map(|estimate| estimate.early).sum();
    if early > 0 {
        let (packets, are) = if early == 1 { ("packet", "is") } else { ("packets", "are") };
        remarks.push(format!(
            "{early} {packets} {are} stamped before they could come, by those before and after: not used for the clock."
        ));
    }
    let unsettled: u64 = ways.places.counts.iter().map(|counts| counts.rejected).sum();
    if unsettled > 0 {
        remarks.push(format!(
            "{unsettled} packets were refused: too late, or with counters that fit nothing before or after.{}",
            if 2 * unsettled > ways.captured.packets.len() as u64 {
                " That is most of them: do tick_hz, rate_hz, samples_per_packet and the unit of host_ns fit?"
            } else {
                ""
            }
        ));
    }
    for step in &ways.places.tick_steps {
        let step_ms = step.ticks as f64 / description.device_clock.tick_hz.unwrap_or(1.0) * 1e3;
        remarks.push(format!(
            "Segment {}: the device's tick jumped by {step_ms:+.0} ms while its packets went on; exchanges and markers of \
             this segment were not used.",
            step.segment
        ));
    }
    if ways.places.unresolved_segments > 0 {
        remarks.push(format!(
            "{} segments begin where, after a silence, several turns of a counter would fit: no restart was seen.",
            ways.places.unresolved_segments
        ));
    }
    if ways.places.varying_samples > 0 {
        remarks.push(format!(
            "{} packets hold another number of samples than their stream's usual one; without ticks positions drift off by that.",
            ways.places.varying_samples
        ));
    }
    for (segment, estimate) in estimates {
        for Cut { step_us, cause, doubtful, .. } in estimate.pieces.iter().filter_map(|piece| piece.cut) {
            let step_ms = step_us / 1e3;
            remarks.push(match cause {
                _ if doubtful => format!(
                    "Segment {segment}: the host's clock was set by {step_ms:+.0} ms, or packets wait differently since; intervals hold both."
                ),
                Cause::HostSuspend => {
                    format!("Segment {segment}: the host's clock stood still for {:.0} ms.", -step_ms)
                }
                Cause::HostClockSlew => format!(
                    "Segment {segment}: the host's clock ran fast or slow until it was {step_ms:+.0} ms from where it was; what happened \
                     meanwhile is known to within that."
                ),
                _ => format!("Segment {segment}: the host's clock was set by {step_ms:+.0} ms."),
            });
        }
        let refuted =
            || estimate.pieces.iter().filter_map(Piece::report).filter(|report| report.declared_refuted);
        if refuted().next().is_some() {
            let said = if refuted().any(|report| report.may_hide_a_grid() || report.collected_us > 0.0) {
                "show in"
            } else {
                "fit"
            };
            remarks.push(format!(
                "Segment {segment}: the connection interval of recording.toml does not {said} the arrivals."
            ));
        }
        if estimate.pieces.iter().filter_map(Piece::report).any(|report| report.off_nominal) {
            remarks.push(format!(
                "Segment {segment}: the device's clock is off its nominal rate by more than the declared tolerance."
            ));
        }
        if estimate.pieces.iter().filter_map(Piece::report).any(|report| report.pairs_contradict) {
            remarks.push(format!(
                "Segment {segment}: exchanges and markers contradict each other, and nothing tells which are right: intervals reach over all."
            ));
        }
        let waited_us = estimate
            .pieces
            .iter()
            .filter_map(Piece::report)
            .map(|report| report.waited_us)
            .fold(0.0, f64::max);
        if waited_us > 0.0 {
            remarks.push(format!(
                "Segment {segment}: packets of another stream come sooner, once they are full, than those of the reference stream ever do; these \
                 may all have waited, and intervals reach {:.0} ms farther for it.",
                waited_us / 1e3
            ));
        }
        if estimate.pieces.iter().any(|piece| piece.report().is_none()) {
            remarks.push(format!("Segment {segment}: too few packets for a line through them."));
        }
    }
    if own {
        remarks.push(
            "Streams without the reference stream's ticks were placed by their own arrivals, their fixed delay taken as \
             the reference stream's and the difference of the packets' lengths."
                .to_owned(),
        );
    }
    if description.link.fixed_delay_ms.is_some() && description.link.fixed_delay_u_ms.is_none() {
        remarks.push(
            "recording.toml gives fixed_delay_ms without fixed_delay_u_ms: it was taken for exact."
                .to_owned(),
        );
    }
    remarks
}
