//! One scenario and one seed make one recording.

use crate::beat::Beat;
use crate::crystal::TrueClock;
use crate::device::{Device, PacketId};
use crate::host::{self, HostClock, Stack};
use crate::link;
use crate::log;
use crate::random::{Purpose, Random};
use crate::samples::Samples;
use crate::scenario::{LinkKind, Scenario, ScenarioError, TickStamp};
use crate::trials;

/// A recording, and the truth about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// What `recording.toml` says.
    pub description: Description,
    /// Packets in the order in which the phone received them.
    pub packets: Vec<Packet>,
    /// Two-way exchanges in the order of their return.
    pub exchanges: Vec<Exchange>,
    /// Instants that both clocks saw, in order.
    pub markers: Vec<Marker>,
    /// Stimuli and taps in the order of their stamps.
    pub events: Vec<Event>,
    /// The samples, where the scenario has a response or a background.
    pub samples: Option<Samples>,
    /// What no estimator may see.
    pub truth: Truth,
    /// What the link did.
    pub statistics: Statistics,
}

/// What the recording says of clocks, link and streams.
#[derive(Debug, Clone, PartialEq)]
pub struct Description {
    /// Nominal rate of the device counter, in Hz.
    pub tick_hz: f64,
    /// The counter wraps at 2^tick_bits.
    pub tick_bits: u32,
    /// Half-width of the crystal's rate tolerance, in ppm.
    pub tolerance_ppm: f64,
    /// Step of the host stamps, in nanoseconds.
    pub resolution_ns: f64,
    /// Smallest possible time from the first sample of a packet of the reference stream to its host stamp, in
    /// milliseconds, as far as the experimenter knows it: it errs by a normal draw of `fixed_delay_u_ms`.
    pub fixed_delay_ms: Option<f64>,
    /// Its standard uncertainty, in milliseconds.
    pub fixed_delay_u_ms: Option<f64>,
    /// Connection interval at the session's start, in milliseconds.
    pub connection_interval_ms: Option<f64>,
    /// The streams; the first is the reference stream.
    pub streams: Vec<Stream>,
    /// Latency of each label that has one.
    pub event_latencies: Vec<EventLatency>,
}

/// One stream, as the recording describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Stream {
    /// Its name.
    pub name: String,
    /// Nominal sampling rate, in Hz.
    pub rate_hz: f64,
    /// Samples in each packet.
    pub samples_per_packet: u32,
    /// The sequence number wraps at 2^sequence_bits.
    pub sequence_bits: u32,
}

/// Declared time from the host stamp of a label to the physical event.
#[derive(Debug, Clone, PartialEq)]
pub struct EventLatency {
    /// The label.
    pub label: String,
    /// The time, in milliseconds.
    pub latency_ms: f64,
    /// Its standard uncertainty, in milliseconds.
    pub latency_u_ms: f64,
}

/// One row of `packets.csv`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet {
    /// Host clock at the stamp, in nanoseconds.
    pub host_ns: i64,
    /// Place of its stream in [`Description::streams`].
    pub stream: u16,
    /// Sequence number, modulo 2^sequence_bits.
    pub sequence: u64,
    /// Device counter at the first sample, rounded down, modulo 2^tick_bits; none where the device sends none.
    pub tick: Option<u64>,
    /// Samples in this packet.
    pub samples: u32,
    /// The connection event that was the headset's newest when the packet went into its queue, as firmware could send it along;
    /// none without events, without ticks, and before the first event of a connection. No estimator here uses it.
    pub newest_event: Option<RadioEvent>,
}

/// A connection event as the headset's radio tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RadioEvent {
    /// Device counter at its anchor, rounded down.
    pub anchor_tick: u64,
    /// Its number since the connection began, modulo 2^16.
    pub counter: u16,
}

/// The four timestamps of RFC 5905, two from each clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Exchange {
    /// The phone stamped its request, in nanoseconds.
    pub origin_ns: i64,
    /// The device received it, in ticks.
    pub receive_tick: u64,
    /// The device stamped its reply, in ticks.
    pub transmit_tick: u64,
    /// The phone was handed the reply, in nanoseconds.
    pub destination_ns: i64,
}

/// One instant, both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Marker {
    /// Host clock, in nanoseconds.
    pub host_ns: i64,
    /// Device counter.
    pub tick: u64,
}

/// One row of `events.csv`.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Host clock at the stamp, in nanoseconds.
    pub host_ns: i64,
    /// Its label.
    pub label: String,
    /// How long it lasted, in milliseconds.
    pub duration_ms: Option<f64>,
}

/// What truly was.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// For each event, in the same order.
    pub events: Vec<TrueOnset>,
    /// The clocks against each other, each second.
    pub clock_points: Vec<TrueClockPoint>,
    /// Device seconds against true host seconds, both from the session's start and across every fault.
    pub clock: TrueClock,
    /// True host second, from the session's start, of each packet's first sample; one for each row of the packets.
    pub first_sample_s: Vec<f64>,
    /// What each packet truly is, whatever its row says; one for each row of the packets.
    pub places: Vec<TruePlace>,
    /// True smallest time from the first sample of a packet of the usual size to its stamp, for each stream, in milliseconds.
    pub fixed_delay_ms: Vec<f64>,
}

/// Which packet of its stream one is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TruePlace {
    /// Restarts of the device before it.
    pub boot: u16,
    /// Packets of its stream made before it since that restart.
    pub index: u64,
}

/// One row of `truth.csv`.
///
/// The event happened its label's true latency after the clock that its stamp was read from, before the stamp was rounded
/// down to the clock's resolution.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueOnset {
    /// Host stamp of the event, in nanoseconds.
    pub host_ns: i64,
    /// Its label.
    pub label: String,
    /// The segment it fell into: restarts of the device counted among those of which packets arrived. Of an event while
    /// the device was off, the segment before.
    pub segment: u32,
    /// Seconds on the device's own timeline, at nominal rate, from the first sample of the earliest packet of the reference
    /// stream received in that segment. None while the device was off, and in a recording without packets.
    pub onset_s: Option<f64>,
}

/// Both clocks at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueClockPoint {
    /// The segment.
    pub segment: u32,
    /// Device timeline in that segment, in seconds, as in [`TrueOnset::onset_s`].
    pub onset_s: f64,
    /// Host clock, not rounded to its resolution, in nanoseconds.
    pub host_ns: i64,
    /// Drift over this second, in ppm; positive: the headset's clock runs fast against the phone's.
    pub drift_ppm: f64,
}

/// What the link did in a session.
#[derive(Debug, Clone, PartialEq)]
pub struct Statistics {
    /// Packets that became ready, for each stream.
    pub made: Vec<u64>,
    /// Packets received by the phone's radio, all streams.
    pub received: u64,
    /// Packets that found the queue full or were pushed out of it.
    pub queue_drops: u64,
    /// Packets lost with the connection.
    pub outage_drops: u64,
    /// Packets lost on the air, on links that do not send again.
    pub air_losses: u64,
    /// Packets still in the queue at the end.
    pub unsent: u64,
    /// Packets that the app lost.
    pub app_losses: u64,
    /// Packets handed over twice.
    pub duplicates: u64,
    /// Pairs of packets handed over in the wrong order.
    pub reorderings: u64,
    /// Connection events (or slots) held.
    pub events_held: u64,
    /// Connection events that the phone spent with another link.
    pub events_yielded: u64,
    /// Connections lost by the supervision timeout.
    pub connections_lost: u64,
    /// Link layer packets sent by the device, repeats included.
    pub attempts: u64,
    /// Of these, the failed ones: retransmissions, where the link sends again.
    pub failures: u64,
    /// Time that the headset's radio sent, in seconds.
    pub sending_s: f64,
    /// Time that it received or was ready to, from the beginning of the phone's packets to their end, in seconds; without the
    /// widening of its window ([`crate::air::window_widening_us`]).
    pub receiving_s: f64,
    /// Share of received packets that went with the first event after they were ready, 0 to 1.
    pub first_opportunity_share: f64,
    /// Mean time from ready to received, in milliseconds.
    pub mean_wait_ms: f64,
    /// [`Beat::divisor_ms`] of the reference stream's packets and the grid; none on a link without one.
    pub beat_ms: Option<f64>,
    /// How many such steps the device's clock moved against the radio's, from one end of the record to the other or
    /// back.
    pub slips: f64,
    /// The class of link.
    pub class: Class,
}

/// What an estimator meets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Class {
    /// A grid of anchors, four slips or more: the smallest wait is seen.
    Slipping,
    /// One to four slips.
    Partly,
    /// Less than one slip: the smallest wait may never be seen.
    Locked,
    /// Fewer than a tenth of the packets go at their first opportunity.
    Congested,
    /// A constant time on the way.
    Constant,
    /// Noise above a least time.
    OneSided,
}

/// Makes the recording of this scenario and seed; the same bits on every machine.
///
/// # Errors
/// [`ScenarioError::Value`] when the scenario does not hold together ([`Scenario::check`]).
pub fn simulate(scenario: &Scenario, seed: u64) -> Result<Simulated, ScenarioError> {
    scenario.check()?;
    let device = Device::new(scenario, seed);
    let host_clock = HostClock::new(scenario);

    let asked_s = request_times_s(scenario, seed);
    let outcome = link::run(scenario, &device, &asked_s, seed);
    let (handed, host_counts) = host::hand_over(scenario, &outcome.received, seed);
    let handed = log::kept(scenario, handed);

    let mut packets = Vec::with_capacity(handed.len());
    let mut first_sample_s = Vec::with_capacity(handed.len());
    let mut places = Vec::with_capacity(handed.len());
    let mut earliest: Vec<Option<PacketId>> = vec![None; device.boots.len()];
    for packet in &handed {
        let sent = packet.sent;
        let id = sent.id;
        packets.push(Packet {
            host_ns: host_clock.stamp_ns(packet.at_s),
            stream: id.stream,
            sequence: device.sequence(id),
            tick: scenario.device.ticks.then(|| match scenario.device.tick_stamp {
                TickStamp::FirstSample => device.packet_tick(id),
                TickStamp::LastSample => device.last_sample_tick(id),
                TickStamp::Enqueue => device.boot_tick(id.boot, sent.ready_s),
                TickStamp::RadioEvent => device.boot_tick(id.boot, sent.event_s),
            }),
            samples: device.samples(id),
            newest_event: sent.newest_event.filter(|_| scenario.device.ticks).map(|event| RadioEvent {
                anchor_tick: device.boot_tick(id.boot, event.anchor_s),
                counter: event.counter,
            }),
        });
        first_sample_s.push(device.first_sample_s(id));
        places.push(TruePlace { boot: id.boot, index: id.index });
        let first = &mut earliest[usize::from(id.boot)];
        if id.stream == 0 && first.is_none_or(|other| id.index < other.index) {
            *first = Some(id);
        }
    }
    log::corrupt(scenario, &handed, &mut packets);

    let segments = Segments::new(&device, &earliest);
    let (events, true_onsets) = place_events(scenario, &host_clock, &device, &segments, seed);
    let least_link_s = link::least_link_s(scenario);
    let fixed_delay_ms = true_fixed_delays_ms(scenario, &device.clock, &least_link_s);
    let statistics = statistics(scenario, &device.clock, &outcome, host_counts);
    Ok(Simulated {
        description: description(scenario, &fixed_delay_ms, seed),
        exchanges: exchanges(scenario, &outcome.requests, &device, &host_clock, seed),
        markers: markers(scenario, &device, &host_clock, seed),
        samples: Samples::new(scenario, &device, handed.iter().map(|packet| packet.sent.id), seed),
        packets,
        events,
        truth: Truth {
            events: true_onsets,
            clock_points: clock_points(scenario, &device, &segments, &host_clock),
            first_sample_s,
            places,
            fixed_delay_ms,
            clock: device.clock,
        },
        statistics,
    })
}

/// Smallest time from a packet's first sample to its stamp: until its last sample, processing, the air, the stack.
fn true_fixed_delays_ms(scenario: &Scenario, clock: &TrueClock, least_link_s: &[f64]) -> Vec<f64> {
    scenario
        .streams
        .iter()
        .zip(least_link_s)
        .map(|(stream, link_s)| {
            let rate_hz = stream.rate_hz * (1.0 + scenario.device.sample_ppm * 1e-6);
            let span_s = f64::from(stream.samples_per_packet - 1) / rate_hz / clock.fastest_rate();
            (span_s + link_s) * 1e3 + scenario.device.processing_ms + scenario.host.fixed_delay_ms
        })
        .collect()
}

fn description(scenario: &Scenario, fixed_delay_ms: &[f64], seed: u64) -> Description {
    let declare = &scenario.declare;
    let error_ms = Random::new(seed, Purpose::FixedDelay).normal() * declare.fixed_delay_u_ms;
    let has_grid = matches!(scenario.link.kind, LinkKind::ConnectionEvents | LinkKind::TimeSlots);
    let trials = &scenario.trials;
    let response = (&trials.response.label, trials.response.latency_ms, trials.response.latency_u_ms);
    let event_latencies = trials
        .stimuli
        .iter()
        .map(|stimulus| (&stimulus.label, stimulus.latency_ms, stimulus.latency_u_ms))
        .chain([response])
        .filter(|(_, latency_ms, latency_u_ms)| *latency_ms != 0.0 || *latency_u_ms != 0.0)
        .map(|(label, latency_ms, latency_u_ms)| EventLatency {
            label: label.clone(),
            latency_ms,
            latency_u_ms,
        })
        .collect();
    Description {
        tick_hz: scenario.device.tick_hz,
        tick_bits: scenario.device.tick_bits,
        tolerance_ppm: scenario.device.tolerance_ppm,
        resolution_ns: scenario.host.resolution_ns,
        fixed_delay_ms: declare.fixed_delay.then_some(fixed_delay_ms[0] + error_ms),
        fixed_delay_u_ms: declare.fixed_delay.then_some(declare.fixed_delay_u_ms),
        connection_interval_ms: (has_grid && declare.connection_interval)
            .then_some(scenario.link.interval_ms),
        streams: scenario
            .streams
            .iter()
            .map(|stream| Stream {
                name: stream.name.clone(),
                rate_hz: stream.rate_hz,
                samples_per_packet: stream.samples_per_packet,
                sequence_bits: stream.sequence_bits,
            })
            .collect(),
        event_latencies,
    }
}

/// Host seconds at which the phone stamps a request.
fn request_times_s(scenario: &Scenario, seed: u64) -> Vec<f64> {
    let exchanges = &scenario.exchanges;
    let mut times_s = Vec::new();
    if exchanges.period_s <= 0.0 {
        return times_s;
    }
    let mut random = Random::new(seed, Purpose::Exchanges);
    let spread_s = if exchanges.random_phase { scenario.link.interval_ms * 1e-3 } else { 0.0 };
    let mut count = 1.0;
    loop {
        let at_s = count * exchanges.period_s + random.uniform() * spread_s;
        if at_s >= scenario.duration_s {
            times_s.sort_by(f64::total_cmp);
            return times_s;
        }
        times_s.push(at_s);
        count += 1.0;
    }
}

fn exchanges(
    scenario: &Scenario,
    requests: &[link::Request],
    device: &Device<'_>,
    host_clock: &HostClock,
    seed: u64,
) -> Vec<Exchange> {
    let mut returned: Vec<(f64, link::Request)> =
        requests.iter().filter_map(|request| Some((request.returned_s?, *request))).collect();
    returned.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut stack = Stack::new(scenario, seed, Purpose::ReplyStack);
    returned
        .into_iter()
        .filter_map(|(returned_s, request)| {
            let destination_s = stack.deliver_s(returned_s);
            // A request that is answered across a restart of the device pairs two counters: the firmware drops it.
            if !log::keeps_sighting(scenario, request.origin_s)
                || stack.stalled(request.origin_s)
                || device.boot_at(request.received_s) != device.boot_at(request.replied_s)
            {
                return None;
            }
            Some(Exchange {
                origin_ns: host_clock.stamp_ns(request.origin_s),
                receive_tick: device.tick_at(request.received_s)?,
                transmit_tick: device.tick_at(request.replied_s)?,
                destination_ns: host_clock.stamp_ns(destination_s),
            })
        })
        .collect()
}

fn markers(scenario: &Scenario, device: &Device<'_>, host_clock: &HostClock, seed: u64) -> Vec<Marker> {
    let period_s = scenario.markers.period_s;
    if period_s <= 0.0 {
        return Vec::new();
    }
    let mut random = Random::new(seed, Purpose::Markers);
    let stack = Stack::new(scenario, seed, Purpose::Stack);
    let mut markers = Vec::new();
    // A marker at the same phase of every second would always meet the same fraction of a tick.
    let mut at_s = period_s * random.uniform();
    while at_s < scenario.duration_s {
        let stamped_s = at_s + random.normal() * scenario.markers.noise_ms * 1e-3;
        if let Some(tick) = device.tick_at(at_s)
            && !stack.stalled(at_s)
            && log::keeps_sighting(scenario, at_s)
        {
            markers.push(Marker { host_ns: host_clock.stamp_ns(stamped_s), tick });
        }
        at_s += period_s * random.between(0.9, 1.1);
    }
    markers
}

/// Segments of the recording: boots of the device of which packets of the reference stream arrived.
struct Segments {
    /// For each boot: its segment and the device second of the first sample received in it.
    zeros: Vec<Option<(u32, f64)>>,
}

impl Segments {
    fn new(device: &Device<'_>, earliest: &[Option<PacketId>]) -> Segments {
        let mut count = 0;
        let zeros = earliest
            .iter()
            .zip(&device.boots)
            .map(|(first, boot)| {
                first.map(|id| {
                    let segment = count;
                    count += 1;
                    (segment, boot.zero_device_s + device.nominal_s(id))
                })
            })
            .collect();
        Segments { zeros }
    }

    /// Segment and onset of a true host second.
    fn place(&self, device: &Device<'_>, host_s: f64) -> (u32, Option<f64>) {
        let before = self
            .zeros
            .iter()
            .zip(&device.boots)
            .filter(|(_, boot)| boot.from_s <= host_s)
            .filter_map(|(zero, _)| zero.map(|(segment, _)| segment))
            .next_back()
            .unwrap_or(0);
        let zero = device.boot_at(host_s).and_then(|boot| self.zeros[usize::from(boot)]);
        match zero {
            Some((segment, zero_s)) => (segment, Some(device.clock.device_at_host(host_s) - zero_s)),
            None => (before, None),
        }
    }
}

fn place_events(
    scenario: &Scenario,
    host_clock: &HostClock,
    device: &Device<'_>,
    segments: &Segments,
    seed: u64,
) -> (Vec<Event>, Vec<TrueOnset>) {
    let mut events = Vec::new();
    let mut onsets = Vec::new();
    for happening in trials::happenings(scenario, seed) {
        let host_ns = host_clock.stamp_ns(happening.stamped_s);
        let (segment, onset_s) = segments.place(device, happening.physical_s);
        onsets.push(TrueOnset { host_ns, label: happening.label.clone(), segment, onset_s });
        events.push(Event { host_ns, label: happening.label, duration_ms: happening.duration_ms });
    }
    (events, onsets)
}

fn clock_points(
    scenario: &Scenario,
    device: &Device<'_>,
    segments: &Segments,
    host_clock: &HostClock,
) -> Vec<TrueClockPoint> {
    let mut points = Vec::new();
    let mut at_s = 0.0;
    while at_s < scenario.duration_s {
        if let (segment, Some(onset_s)) = segments.place(device, at_s) {
            let drift_ppm = device.clock.drift_ppm(at_s);
            points.push(TrueClockPoint { segment, onset_s, host_ns: host_clock.reading_ns(at_s), drift_ppm });
        }
        at_s += 1.0;
    }
    points
}

fn statistics(
    scenario: &Scenario,
    clock: &TrueClock,
    outcome: &link::Outcome,
    host_counts: host::HostCounts,
) -> Statistics {
    let counts = outcome.counts;
    let received = outcome.received.len() as u64;
    let share = if received > 0 { counts.first_opportunity as f64 / received as f64 } else { 0.0 };
    let has_grid = matches!(scenario.link.kind, LinkKind::ConnectionEvents | LinkKind::TimeSlots);
    let beat_ms = has_grid.then(|| Beat::of_scenario(scenario).divisor_ms);
    let slips = beat_ms.map_or(0.0, |beat_ms| slips(scenario, clock, beat_ms));
    let class = match scenario.link.kind {
        LinkKind::Constant => Class::Constant,
        LinkKind::OneSided => Class::OneSided,
        LinkKind::ConnectionEvents | LinkKind::TimeSlots if share < 0.1 => Class::Congested,
        LinkKind::ConnectionEvents | LinkKind::TimeSlots if slips >= 4.0 => Class::Slipping,
        LinkKind::ConnectionEvents | LinkKind::TimeSlots if slips >= 1.0 => Class::Partly,
        LinkKind::ConnectionEvents | LinkKind::TimeSlots => Class::Locked,
    };
    Statistics {
        made: outcome.made.clone(),
        received,
        queue_drops: counts.queue_drops,
        outage_drops: counts.outage_drops,
        air_losses: counts.air_losses,
        unsent: counts.unsent,
        app_losses: host_counts.losses,
        duplicates: host_counts.duplicates,
        reorderings: host_counts.reorderings,
        events_held: counts.events,
        events_yielded: counts.events_yielded,
        connections_lost: counts.connections_lost,
        attempts: counts.attempts,
        failures: counts.failures,
        sending_s: counts.sending_s,
        receiving_s: counts.receiving_s,
        first_opportunity_share: share,
        mean_wait_ms: if received > 0 { counts.wait_sum_s / received as f64 * 1e3 } else { 0.0 },
        beat_ms,
        slips,
        class,
    }
}

/// How far the packets and the radio's clock move against each other, in steps of the beat.
pub(crate) fn slips(scenario: &Scenario, clock: &TrueClock, beat_ms: f64) -> f64 {
    let radio_rate = 1.0 + scenario.link.radio_ppm * 1e-6;
    let sampling_rate = 1.0 + scenario.device.sample_ppm * 1e-6;
    let (mut least_s, mut most_s) = (0.0_f64, 0.0_f64);
    let mut at_s = 0.0;
    while at_s < scenario.duration_s {
        let apart_s = clock.device_at_host(at_s) * sampling_rate - radio_rate * at_s;
        least_s = least_s.min(apart_s);
        most_s = most_s.max(apart_s);
        at_s += 1.0;
    }
    (most_s - least_s) * 1e3 / beat_ms
}
