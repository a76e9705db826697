//! Recordings that the simulator makes, of all kinds, and what a session and a replay answer to them.

use tickseam::batch::{Asked, Lent, Place, replay_packets, stages_for};
use tickseam::block::Arrival;
use tickseam::intake::{Disposition, PacketStamp, StreamConfig};
use tickseam::pair::SyncPair;
use tickseam::placement::Shift;
use tickseam::replay::{Stage, known_at};
use tickseam::session::{Session, TickCounter};
use tickseam::sightings::{ExchangeStamps, MarkerStamps};
use tickseam_fuzz_cases::replayed::Recorded;
use tickseam_fuzz_cases::scene::Known;
use tickseam_sim::scenario::{Fault, LinkKind, StampField, TickStamp};
use tickseam_sim::{Scenario, Simulated, random_scenario, simulate};

use crate::digest::{Digest, mixed};

/// Recordings in the table.
pub(crate) const COUNT: u64 = 480;
/// Lengths, s: most are short, so that many fit into a test.
const LENGTHS_S: [f64; 8] = [60.0, 90.0, 120.0, 180.0, 240.0, 300.0, 480.0, 1_200.0];
/// Packets of a session between two questions.
const ASKED_EACH: usize = 100;
/// Time between two events that a replay is asked for, s.
const EVENT_EACH_S: f64 = 3.0;

/// Draws that need no floating point function.
pub(crate) struct Draws(u64);

impl Draws {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(mixed(seed ^ 0x7469_636b_7365_616d))
    }

    pub(crate) fn below(&mut self, count: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        mixed(self.0) % count
    }

    pub(crate) fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len() as u64) as usize]
    }

    /// A whole number of so many steps within a range.
    pub(crate) fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.below(1_001) as f64 / 1_000.0
    }
}

fn fault(draws: &mut Draws, scenario: &Scenario) -> Fault {
    let at_s = draws.within(0.1, 0.9) * scenario.duration_s;
    let field = if scenario.device.ticks {
        draws.of(&[StampField::HostNs, StampField::Tick])
    } else {
        StampField::HostNs
    };
    match draws.below(10) {
        0 => Fault::Reboot { at_s, off_s: draws.of(&[0.3, 2.0, 7.5]) },
        1 => Fault::Disconnection { at_s, off_s: draws.of(&[0.5, 4.0, 30.0]), interval_ms: None },
        2 => Fault::IntervalChange { at_s, interval_ms: draws.of(&[15.0, 30.0, 45.0, 50.0]) },
        3 => Fault::HostStep {
            at_s,
            step_s: draws.of(&[-2.0, -0.05, 0.03, 0.25, 3.0, 40.0]),
            return_after_s: None,
        },
        4 => Fault::HostStep {
            at_s,
            step_s: draws.of(&[-0.5, 0.5]),
            return_after_s: Some(draws.of(&[8.0, 30.0])),
        },
        5 => Fault::HostSlew { at_s, for_s: draws.of(&[20.0, 60.0]), ppm: draws.of(&[-500.0, 300.0]) },
        6 => Fault::HostSuspend { at_s, for_s: draws.of(&[1.0, 12.0]) },
        7 => Fault::Silence { at_s, for_s: draws.of(&[3.0, 25.0]) },
        8 => Fault::CorruptStamp { at_s, field, value: draws.of(&[0, 1_000_000_007]) },
        _ if scenario.device.ticks && draws.below(2) == 0 => {
            Fault::TickStep { at_s, step_s: draws.of(&[-0.3, 0.2, 5.0]) }
        }
        _ => Fault::StampOffset {
            at_s,
            field,
            by_ms: draws.of(&[-700.0, 300.0, 5_000.0]),
            packets: draws.of(&[1, 3, 40]),
        },
    }
}

/// One trait after the other is made likelier than a random scenario has it, so that each comes often enough in few recordings.
fn bent(draws: &mut Draws, scenario: &mut Scenario) {
    let period_ms = scenario.streams[0].packet_period_ms();
    let on_events = matches!(scenario.link.kind, LinkKind::ConnectionEvents | LinkKind::TimeSlots);
    match draws.below(14) {
        0 if on_events => {
            // Packets and grid repeat together.
            scenario.link.interval_ms = if period_ms >= 7.5 { period_ms } else { 2.0 * period_ms };
            scenario.device.offset_ppm = draws.of(&[-0.5, 0.0, 1.0, 30.0]);
        }
        1 => scenario.host.batching_ms = draws.of(&[100.0, 250.0, 1_000.0]),
        2 => scenario.host.resolution_ns = draws.of(&[1e3, 1e6, 976_562.5, 1e7, 15_625_000.0]),
        3 if scenario.link.kind == LinkKind::ConnectionEvents => {
            scenario.link.packets_per_event = 1;
            scenario.link.error_rate = draws.of(&[0.3, 0.5]);
        }
        4 => scenario.host.loss = draws.of(&[0.05, 0.3]),
        5 => {
            scenario.host.duplicates = 0.05;
            scenario.host.reordering = 0.05;
        }
        6 if scenario.device.ticks => {
            scenario.device.tick_stamp =
                draws.of(&[TickStamp::LastSample, TickStamp::Enqueue, TickStamp::RadioEvent]);
        }
        7 if scenario.device.ticks => {
            scenario.exchanges.period_s = draws.of(&[1.0, 2.5, 10.0]);
            scenario.markers.period_s = draws.of(&[0.0, 15.0]);
        }
        8 if scenario.device.ticks => {
            scenario.markers.period_s = draws.of(&[3.0, 12.0]);
            scenario.markers.noise_ms = draws.of(&[0.0, 0.05, 1.0]);
        }
        9 => {
            scenario.device.warm_up_ppm = draws.of(&[-8.0, 8.0]);
            scenario.device.warm_up_tau_s = draws.of(&[60.0, 200.0]);
            scenario.device.random_walk_per_sqrt_s = 1e-8;
        }
        10 => {
            scenario.streams.truncate(1);
            scenario.streams[0].dither_samples = draws.of(&[0, 1]);
            scenario.streams[0].sequence_bits = draws.of(&[6, 8, 12]);
        }
        11 => scenario.link.noise_ms = draws.of(&[0.0, 0.5, 60.0]),
        12 => scenario.declare.fixed_delay = false,
        _ => {}
    }
    for _ in 0..draws.of(&[0_u32, 0, 0, 1, 1, 2, 3]) {
        let fault = fault(draws, scenario);
        scenario.faults.push(fault);
    }
}

/// What is declared may be wrong.
fn mistaken(draws: &mut Draws, simulated: &mut Simulated) {
    let said = &mut simulated.description;
    match draws.below(10) {
        0 => said.connection_interval_ms = Some(draws.of(&[7.5, 11.25, 20.0, 100.0])),
        1 => said.fixed_delay_ms = said.fixed_delay_ms.map(|ms| ms + draws.of(&[-3.0, 3.0])),
        2 => said.tick_hz *= draws.of(&[0.99, 1.000_4, 1.01]),
        3 => said.tolerance_ppm = draws.of(&[5.0, 500.0]),
        _ => {}
    }
}

/// One recording, and what is known of its device.
pub(crate) struct Recording {
    pub(crate) name: String,
    known: Known,
    recorded: Recorded,
}

/// The recording of a number.
pub(crate) fn recording(number: u64) -> Recording {
    let mut draws = Draws::new(number);
    for attempt in 0.. {
        let (mut scenario, _) = random_scenario(1_000 * number + attempt, None);
        scenario.duration_s = LENGTHS_S[(number % 8) as usize];
        scenario.trials.interval_s = [30.0, 40.0];
        bent(&mut draws, &mut scenario);
        if scenario.check().is_err() {
            continue;
        }
        let Ok(mut simulated) = simulate(&scenario, number) else { continue };
        mistaken(&mut draws, &mut simulated);
        let kind = scenario.link.kind;
        let name = format!(
            "recording {number}: {kind:?}, {} s, {} faults",
            scenario.duration_s,
            scenario.faults.len()
        );
        return Recording { name, known: known(&simulated), recorded: recorded(&simulated, &mut draws) };
    }
    unreachable!("some scenario can be")
}

fn known(simulated: &Simulated) -> Known {
    let said = &simulated.description;
    let ticked = simulated.packets.iter().any(|packet| packet.tick.is_some());
    let ms = |ms: f64| ms * 1e3;
    Known {
        ticks: ticked.then_some(TickCounter { hz: said.tick_hz, bits: said.tick_bits as u8 }),
        tolerance_ppm: said.tolerance_ppm,
        host_step_us: said.resolution_ns / 1e3,
        fixed_delay: said
            .fixed_delay_ms
            .map(|delay| Shift { us: ms(delay), u_us: ms(said.fixed_delay_u_ms.unwrap_or(0.0)) }),
        interval_us: said.connection_interval_ms.map(ms),
        streams: said
            .streams
            .iter()
            .map(|stream| StreamConfig {
                rate_hz: stream.rate_hz,
                samples_per_packet: stream.samples_per_packet,
                sequence_bits: stream.sequence_bits as u8,
            })
            .collect(),
    }
}

fn recorded(simulated: &Simulated, draws: &mut Draws) -> Recorded {
    let packets = simulated.packets.iter().map(|packet| {
        let (host_ns, sequence, tick, samples) =
            (packet.host_ns, packet.sequence, packet.tick, packet.samples);
        (usize::from(packet.stream), PacketStamp { host_ns, sequence, tick, samples })
    });
    let exchanges = simulated.exchanges.iter().map(|exchange| ExchangeStamps {
        origin_ns: exchange.origin_ns,
        receive_tick: exchange.receive_tick,
        transmit_tick: exchange.transmit_tick,
        destination_ns: exchange.destination_ns,
    });
    let markers =
        simulated.markers.iter().map(|marker| MarkerStamps { host_ns: marker.host_ns, tick: marker.tick });
    let mut recorded = Recorded {
        packets: packets.collect(),
        exchanges: exchanges.collect(),
        markers: markers.collect(),
        events: Vec::new(),
    };
    let stamps = || recorded.packets.iter().map(|(_, stamp)| stamp.host_ns);
    if let (Some(first), Some(last)) = (stamps().next(), stamps().next_back()) {
        let each_ns = (EVENT_EACH_S * 1e9) as i64;
        let mut at_ns = first.saturating_sub(2 * each_ns);
        while at_ns < last.saturating_add(2 * each_ns) && recorded.events.len() < 1_000 {
            let latency = draws.of(&[
                Shift::default(),
                Shift { us: 21_000.0, u_us: 800.0 },
                Shift { us: -40_000.0, u_us: 0.0 },
            ]);
            recorded.events.push(Asked::new(at_ns + draws.below(2_000_000_000).cast_signed(), latency));
            at_ns += each_ns;
        }
    }
    recorded
}

impl Recording {
    /// What goes in: where this changes, it is the simulator that changed.
    pub(crate) fn input(&self, digest: &mut Digest) {
        digest.answer(&self.known);
        for (stream, stamp) in &self.recorded.packets {
            digest.word(*stream as u64);
            digest.whole(stamp.host_ns);
            digest.word(stamp.sequence);
            digest.word(stamp.tick.unwrap_or(u64::MAX));
            digest.word(stamp.samples.into());
        }
        digest.answer(&(&self.recorded.exchanges, &self.recorded.markers, &self.recorded.events));
    }

    /// A session that is asked all the while.
    pub(crate) fn live(&self, digest: &mut Digest) {
        let mut session = match Session::<4>::new(&self.known.config()) {
            Ok(session) => session,
            Err(error) => return digest.answer(&error),
        };
        let (mut exchanges, mut markers) =
            (self.recorded.exchanges.iter().peekable(), self.recorded.markers.iter().peekable());
        let mut asked = 0_u64;
        for (place, &(stream, stamp)) in self.recorded.packets.iter().enumerate() {
            while let Some(of) = exchanges.next_if(|of| of.destination_ns <= stamp.host_ns) {
                let ExchangeStamps { origin_ns, receive_tick, transmit_tick, destination_ns } = *of;
                digest.answer(&session.observe_exchange(
                    origin_ns,
                    receive_tick,
                    transmit_tick,
                    destination_ns,
                ));
            }
            while let Some(of) = markers.next_if(|of| of.host_ns <= stamp.host_ns) {
                digest.answer(&session.observe_marker(of.host_ns, of.tick));
            }
            let intaken = session.observe_packet(stream, stamp);
            match intaken.resolved {
                // Nearly all of them: quicker than to print it.
                Some(at) if intaken.disposition == Disposition::InOrder => {
                    digest.word(at.segment.into());
                    digest.whole(at.index);
                    digest.whole(at.device);
                }
                _ => digest.answer(&intaken),
            }
            if place % ASKED_EACH == ASKED_EACH - 1 {
                asked += 1;
                let back_ns =
                    [0, 300_000_000, 1_500_000_000, 40_000_000_000, -2_000_000_000][(asked % 5) as usize];
                digest.answer(&session.place(stamp.host_ns - back_ns, Shift { us: -250.0, u_us: 40.0 }));
                digest.answer(&(session.map(), session.link(), session.knowledge(), session.newest_s()));
                let newest_s = session.newest_s().unwrap_or(0.0);
                digest.answer(&[0.5, 8.0, 30.0].map(|back_s| session.host_at(newest_s - back_s)));
            }
        }
        for event in &self.recorded.events {
            digest.answer(&session.place(event.host_ns, event.latency));
        }
        digest.answer(&(
            session.counters(),
            session.segment(),
            session.timeline_segment(),
            session.rate_hz(),
        ));
        for stream in 0..self.known.streams.len() {
            digest.answer(&(
                session.missing_packets(stream),
                session.gaps(stream),
                session.next_gap(stream, i64::MIN),
            ));
        }
    }

    /// The whole recording at once.
    pub(crate) fn replayed(&self, digest: &mut Digest) {
        let Recorded { packets, exchanges, markers, .. } = &self.recorded;
        let stamps = || packets.iter().map(|(_, stamp)| stamp.host_ns);
        let span_s = match (stamps().min(), stamps().max()) {
            (Some(first), Some(last)) => (last.saturating_sub(first) as f64 * 1e-9).min(3_600.0),
            _ => 0.0,
        };
        let pairs = 2 * exchanges.len() + markers.len();
        let mut events = self.recorded.events.clone();
        let mut places = vec![Place::default(); packets.len()];
        let mut arrivals = vec![Arrival::new(0.0, 0.0); packets.len()];
        let mut stages =
            vec![Stage::empty(); stages_for(self.known.streams.len(), packets.len(), pairs, span_s)];
        let mut pairs = vec![SyncPair { at_s: 0.0, low_us: None, high_us: None }; pairs];
        let lent =
            Lent { places: &mut places, arrivals: &mut arrivals, pairs: &mut pairs, stages: &mut stages };
        let report = replay_packets::<4>(&self.known.config(), &self.recorded, &mut events, lent);
        digest.answer(&report);
        for event in &events {
            digest.answer(&event.answer);
        }
        let Some(report) = report.ok().and_then(|report| report.replayed) else { return };
        digest.number(report.longest_jump_s(0.02));
        let of_the_last = &stages[..report.stages];
        for stage in of_the_last {
            digest.answer(&(stage.block(), stage.bounds(), stage.knot));
        }
        for at_s in [-100.0, 0.0, 7.3, span_s / 3.0, span_s, 2.0 * span_s] {
            digest.answer(&known_at(of_the_last, at_s, report.curvature_ppm_per_s));
        }
    }
}
