//! Scenarios drawn at random, for measuring how often a stated uncertainty holds.

use crate::air::{self, Phy};
use crate::beat::common_divisor_ms;
use crate::crystal::TrueClock;
use crate::random::{Purpose, Random};
use crate::scenario::{
    DeclareScenario, DeviceScenario, ExchangeScenario, HostScenario, LinkKind, LinkScenario, MarkerScenario,
    Noise, QueueFull, ReplyStamp, Scenario, Stimulus, StreamScenario, TrialsScenario,
};
use crate::simulate::{Class, slips};

/// Draws until the class is right. Over 1000 seeds the rarest class, locked, took 112 at most.
const MOST_DRAWS: u32 = 10_000;

/// A random scenario and the class that it falls into when simulated **with the same seed**.
///
/// Packet periods of 10 to 100 ms, intervals of 7.5 to 100 ms, errors up to 30 %, drift within ±50 ppm with its warm-up,
/// radio within ±20 ppm, one to three streams, 2 minutes to 8 hours; no faults. `wanted` asks for one class, else all occur.
/// Slips are counted on the very crystal of the seed; congestion is foreseen from the load, and what was simulated
/// ([`crate::Statistics::class`]) has the last word. Costs a few milliseconds on average: several crystals may be drawn.
/// Should ten thousand draws not meet `wanted`, the class returned is another.
pub fn random_scenario(seed: u64, wanted: Option<Class>) -> (Scenario, Class) {
    let mut random = Random::new(seed, Purpose::Scenario);
    let mut last = (Scenario::default(), Class::Slipping);
    for _ in 0..MOST_DRAWS {
        let scenario = draw(&mut random, wanted);
        if scenario.check().is_err() {
            continue;
        }
        let Some(class) = expected_class(&scenario, seed) else { continue };
        last = (scenario, class);
        if wanted.is_none_or(|wanted| wanted == class) {
            break;
        }
    }
    last
}

/// The class, unless the load is too near the link's capacity to tell.
fn expected_class(scenario: &Scenario, seed: u64) -> Option<Class> {
    match scenario.link.kind {
        LinkKind::Constant => return Some(Class::Constant),
        LinkKind::OneSided => return Some(Class::OneSided),
        LinkKind::ConnectionEvents | LinkKind::TimeSlots => {}
    }
    let load = load(scenario);
    if load > 1.1 {
        return Some(Class::Congested);
    }
    if load > 0.7 {
        return None;
    }
    let clock =
        TrueClock::new(&scenario.device, scenario.duration_s, &mut Random::new(seed, Purpose::Crystal));
    let beat_ms = common_divisor_ms(scenario.streams[0].packet_period_ms(), scenario.link.interval_ms);
    let slips = slips(scenario, &clock, beat_ms);
    Some(if slips >= 4.0 {
        Class::Slipping
    } else if slips >= 1.0 {
        Class::Partly
    } else {
        Class::Locked
    })
}

/// Link layer packets made in an interval, over those that get through in one.
fn load(scenario: &Scenario) -> f64 {
    let link = &scenario.link;
    let slots = link.kind == LinkKind::TimeSlots;
    let interval_s = link.interval_ms * 1e-3;
    let bad_events = link.burst_probability * link.burst_events;
    let bad_share = bad_events / (1.0 + bad_events);
    let error_rate = link.error_rate * (1.0 - bad_share) + link.burst_error_rate * bad_share;
    let good = 1.0 - if slots { 0.0 } else { error_rate };
    let (mut per_interval, mut airtime_s) = (0.0, 0.0);
    for stream in &scenario.streams {
        let each_interval = interval_s / (stream.packet_period_ms() * 1e-3);
        if slots {
            per_interval += each_interval;
            airtime_s += each_interval * link.slot_air_ms * 1e-3;
            continue;
        }
        for octets in air::fragments_octets(stream.value_octets, link.largest_payload_octets) {
            let mic_octets = if link.encrypted { 4 } else { 0 };
            per_interval += each_interval;
            airtime_s += each_interval * f64::from(air::exchange_us(link.phy, octets, mic_octets)) * 1e-6;
        }
    }
    let fit = (interval_s / (airtime_s / per_interval)).floor().min(f64::from(link.packets_per_event));
    let mut through = 0.0;
    let mut still_open = 1.0;
    for _ in 0..fit as u32 {
        through += still_open * good;
        if link.close_on_failure {
            still_open *= good;
        }
    }
    per_interval / through
}

fn draw(random: &mut Random, wanted: Option<Class>) -> Scenario {
    let kind = match wanted {
        Some(Class::Constant) => LinkKind::Constant,
        Some(Class::OneSided) => LinkKind::OneSided,
        Some(Class::Congested) => LinkKind::ConnectionEvents,
        Some(Class::Slipping | Class::Partly | Class::Locked) => {
            if random.chance(0.15) {
                LinkKind::TimeSlots
            } else {
                LinkKind::ConnectionEvents
            }
        }
        None => match random.index(10) {
            0 => LinkKind::Constant,
            1 => LinkKind::OneSided,
            2 => LinkKind::TimeSlots,
            _ => LinkKind::ConnectionEvents,
        },
    };
    let duration_s = log_between(random, 120.0, 28_800.0).floor();
    let ticks = random.chance(0.8);
    Scenario {
        duration_s,
        device: draw_device(random, ticks),
        host: draw_host(random),
        link: draw_link(random, kind, wanted == Some(Class::Congested)),
        declare: DeclareScenario {
            fixed_delay: random.chance(0.8),
            fixed_delay_u_ms: log_between(random, 0.02, 0.5),
            connection_interval: random.chance(0.5),
        },
        streams: draw_streams(random),
        trials: draw_trials(random, duration_s),
        exchanges: ExchangeScenario {
            period_s: if ticks && random.chance(0.15) { log_between(random, 2.0, 60.0) } else { 0.0 },
            reply_dither_ms: if random.chance(0.5) { 50.0 } else { 0.0 },
            reply_stamp: if random.chance(0.5) { ReplyStamp::Radio } else { ReplyStamp::Enqueue },
            ..ExchangeScenario::default()
        },
        markers: MarkerScenario {
            period_s: if ticks && random.chance(0.1) { log_between(random, 10.0, 600.0) } else { 0.0 },
            noise_ms: log_between(random, 0.02, 0.5),
        },
        ..Scenario::default()
    }
}

fn log_between(random: &mut Random, low: f64, high: f64) -> f64 {
    low * libm::exp(random.uniform() * libm::log(high / low))
}

fn draw_device(random: &mut Random, ticks: bool) -> DeviceScenario {
    let warm_up_ppm = if random.chance(0.25) { 0.0 } else { random.between(-9.0, 9.0) };
    // The crystal keeps the tolerance that is declared, warm-up included.
    let tolerance_ppm = 50.0;
    let most_ppm = tolerance_ppm - warm_up_ppm.abs();
    let (tick_hz, tick_bits) =
        [(32_768.0, 24), (32_768.0, 32), (1e6, 32), (1e6, 64), (16e6, 64)][random.index(5)];
    DeviceScenario {
        tick_hz,
        tick_bits,
        ticks,
        tolerance_ppm,
        offset_ppm: random.between(-most_ppm, most_ppm),
        warm_up_ppm,
        warm_up_tau_s: random.between(300.0, 900.0),
        random_walk_per_sqrt_s: log_between(random, 5e-10, 5e-9),
        processing_ms: random.between(0.05, 3.0),
        jitter_ms: if random.chance(0.5) { 0.0 } else { random.between(0.02, 1.0) },
        queue_packets: 8 + random.index(57),
        queue_full: if random.chance(0.5) { QueueFull::DropNewest } else { QueueFull::DropOldest },
        ..DeviceScenario::default()
    }
}

fn draw_host(random: &mut Random) -> HostScenario {
    let mut host = HostScenario {
        resolution_ns: [1.0, 1e3, 1e6, 976_562.5][random.index(4)],
        fixed_delay_ms: random.between(0.1, 5.0),
        stack_delay_ms: log_between(random, 0.05, 3.0),
        ..HostScenario::default()
    };
    if random.chance(0.3) {
        host.tail_probability = log_between(random, 1e-3, 0.05);
        host.tail_median_ms = random.between(3.0, 20.0);
    }
    if random.chance(0.3) {
        host.stalls_per_hour = random.between(1.0, 60.0);
        host.stall_ms = log_between(random, 50.0, 2000.0);
    }
    if random.chance(0.05) {
        host.batching_ms = random.between(100.0, 1000.0);
    }
    if random.chance(0.3) {
        host.loss = log_between(random, 1e-4, 0.03);
    }
    if random.chance(0.2) {
        host.duplicates = log_between(random, 1e-4, 0.02);
    }
    if random.chance(0.2) {
        host.reordering = log_between(random, 1e-4, 0.02);
    }
    host
}

fn draw_link(random: &mut Random, kind: LinkKind, congested: bool) -> LinkScenario {
    let longest_units = if random.chance(0.5) { 40 } else { 80 };
    let mut link = LinkScenario {
        kind,
        interval_ms: (6 + random.index(longest_units - 5)) as f64 * 1.25,
        radio_ppm: random.between(-20.0, 20.0),
        phy: if random.chance(0.5) { Phy::Le1M } else { Phy::Le2M },
        largest_payload_octets: if random.chance(0.85) { 251 } else { 27 },
        encrypted: random.chance(0.7),
        packets_per_event: 4 + random.index(9) as u32,
        late_entry: random.chance(0.3),
        close_on_failure: random.chance(0.5),
        peripheral_latency: if random.chance(0.1) { 1 + random.index(4) as u32 } else { 0 },
        error_rate: random.between(0.0, 0.3),
        slot_air_ms: random.between(0.2, 2.0),
        least_ms: random.between(1.0, 20.0),
        noise: [Noise::Uniform, Noise::Exponential, Noise::Gamma, Noise::Lognormal][random.index(4)],
        noise_ms: log_between(random, 0.2, 15.0),
        noise_shape: random.between(0.7, 3.0),
        in_order: random.chance(0.7),
        ..LinkScenario::default()
    };
    if link.noise == Noise::Lognormal {
        link.noise_shape = random.between(0.3, 1.2);
    }
    if kind == LinkKind::ConnectionEvents {
        if random.chance(0.5) {
            link.burst_probability = log_between(random, 1e-4, 0.01);
            link.burst_events = random.between(2.0, 15.0);
        }
        if random.chance(0.2) {
            link.fades_per_hour = random.between(1.0, 20.0);
            link.fade_s = random.between(0.5, 5.0);
        }
    } else {
        // Nothing is sent again here: an error is a loss.
        link.error_rate *= 0.2;
    }
    if congested {
        link.packets_per_event = 1 + random.index(2) as u32;
    }
    link
}

fn draw_streams(random: &mut Random) -> Vec<StreamScenario> {
    let count = [1, 1, 1, 2, 2, 3][random.index(6)];
    let mut streams = Vec::with_capacity(count);
    for place in 0..count {
        let (name, rate_hz) = match place {
            0 => ("eeg", [125.0, 200.0, 250.0, 256.0, 300.0, 500.0, 512.0, 1000.0][random.index(8)]),
            1 => ("optical", [50.0, 64.0, 100.0][random.index(3)]),
            _ => ("motion", [50.0, 100.0, 104.0][random.index(3)]),
        };
        let fewest = (rate_hz * 0.01_f64).ceil();
        let most = (rate_hz * 0.1_f64).floor();
        streams.push(StreamScenario {
            name: name.to_owned(),
            rate_hz,
            dither_samples: 0,
            samples_per_packet: (fewest + (random.uniform() * (most - fewest + 1.0)).floor()) as u32,
            sequence_bits: [8, 16, 32][random.index(3)],
            value_octets: 20 + random.index(225) as u32,
            start_ms: if place == 0 { 0.0 } else { random.between(0.0, 50.0) },
        });
    }
    streams
}

/// About a thousand stimuli at most, however long the session.
fn draw_trials(random: &mut Random, duration_s: f64) -> TrialsScenario {
    let mut trials = TrialsScenario::default();
    let shortest_s = (duration_s / 1000.0).max(1.0);
    trials.interval_s = [shortest_s, shortest_s * 1.4];
    if random.chance(0.5) {
        let latency_u_ms = random.between(0.0, 2.0);
        let with_latency = |stimulus: Stimulus| Stimulus { latency_ms: 21.0, latency_u_ms, ..stimulus };
        trials.stimuli = trials.stimuli.into_iter().map(with_latency).collect();
        trials.response.latency_ms = -random.between(5.0, 60.0);
        trials.response.latency_u_ms = random.between(0.5, 4.0);
    }
    trials
}
