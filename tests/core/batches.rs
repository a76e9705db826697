//! An app that hands packets over in batches: what the newest packets of the batches leave of the clock.
//!
//! All numbers are drawn or chosen here; what is checked is that intervals hold the clock that the arrivals were made from.

use tickseam::block::Arrival;
use tickseam::setup::Setup;
use tickseam_tests::Random;

use crate::arrivals::Link;
use crate::series::{held, setup};

/// When an app hands over what has come.
#[derive(Clone, Copy, Debug)]
enum Hands {
    /// By a timer of such a period, ms, of which each tick is late by so much at the most, ms.
    Timer(f64, f64),
    /// As soon as so many packets are there.
    Full(usize),
    /// When the first packet that comes so long after the last time has woken it, which takes so long at the most, ms.
    Woken(f64, f64),
    /// At random times, so far apart on average, ms.
    Random(f64),
}

/// The same packets as the app stamps them.
fn handed_over(arrivals: &[Arrival], hands: Hands, seed: u64) -> Vec<Arrival> {
    let mut random = Random::seeded(seed);
    let mut waking = Random::seeded(seed + 1);
    let mut stamped = Vec::with_capacity(arrivals.len());
    let mut waiting: Vec<Arrival> = Vec::new();
    let mut handed_us = arrivals[0].host_us();
    let mut next_us = |after_us: f64| match hands {
        Hands::Timer(period_ms, late_ms) => {
            let turns = ((after_us + 1.0) / (period_ms * 1e3)).floor() + 1.0;
            turns * period_ms * 1e3 + random.uniform() * late_ms * 1e3
        }
        Hands::Random(apart_ms) => after_us - apart_ms * 1e3 * (1.0 - random.uniform()).ln(),
        Hands::Full(_) | Hands::Woken(..) => f64::INFINITY,
    };
    let mut due_us = next_us(handed_us);
    for &arrival in arrivals {
        let now_us = arrival.host_us();
        while now_us > due_us {
            for packet in waiting.drain(..) {
                stamped.push(Arrival::new(packet.device_s, due_us - packet.device_s * 1e6));
            }
            due_us = next_us(due_us);
        }
        waiting.push(arrival);
        if let Hands::Woken(apart_ms, takes_ms) = hands
            && due_us == f64::INFINITY
            && now_us - handed_us > apart_ms * 1e3
        {
            due_us = now_us + takes_ms * 1e3 * waking.uniform();
            handed_us = due_us;
        }
        if matches!(hands, Hands::Full(packets) if waiting.len() >= packets) {
            for packet in waiting.drain(..) {
                stamped.push(Arrival::new(packet.device_s, now_us - packet.device_s * 1e6));
            }
        }
    }
    stamped
}

/// One of several.
fn one_of<T: Copy>(random: &mut Random, of: &[T]) -> T {
    of[(random.uniform() * of.len() as f64) as usize]
}

fn within(random: &mut Random, from: f64, to: f64) -> f64 {
    from + (to - from) * random.uniform()
}

/// Usual intervals, ms.
fn usual() -> impl Iterator<Item = f64> {
    (6..=80).map(|steps| f64::from(steps) * 1.25)
}

/// A link and an app, drawn: packets that lock to the radio, meet few phases of it, or slip; an app whose timer keeps step with the packets or the radio, or
/// with neither, that hands over so many at a time, is woken, or comes when it pleases.
fn drawn(seed: u64) -> Option<(Link, Hands)> {
    let mut random = Random::seeded(seed);
    let packet_ms = if random.uniform() < 0.4 {
        one_of(&mut random, &[10.0, 12.0, 16.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0])
    } else {
        one_of(&mut random, &[3.0, 5.0, 7.0, 8.0, 10.0, 13.0, 16.0, 20.0, 25.0]) * 1e3
            / one_of(&mut random, &[200.0, 250.0, 256.0, 300.0, 512.0])
    };
    let whole = |ratio: f64| (ratio - ratio.round()).abs() < 1e-9;
    let locks = |ms: &f64| whole(packet_ms / ms) || whole(ms / packet_ms);
    let few_phases = |ms: &f64| (1..=4).any(|packets| whole(packet_ms * f64::from(packets) / ms));
    let all: Vec<f64> = match (random.uniform() * 3.0) as u32 {
        0 => usual().collect(),
        1 => usual().filter(locks).collect(),
        _ => usual().filter(few_phases).collect(),
    };
    let interval_ms = if all.is_empty() { 45.0 } else { one_of(&mut random, &all) };
    let again = if random.uniform() < 0.5 { 0.0 } else { within(&mut random, 0.0, 0.3) };
    let rate_ppm = within(&mut random, -40.0, 40.0);
    let link = Link {
        packets: (within(&mut random, 180e3, 1_200e3) / packet_ms) as u32,
        period_s: packet_ms * 1e-3,
        interval_us: interval_ms * 1e3,
        // The radio's clock is often the device's own.
        stretch_ppm: if random.uniform() < 0.4 { rate_ppm } else { within(&mut random, -40.0, 40.0) },
        rate_ppm,
        again,
        jitter_us: one_of(&mut random, &[1.0, 50.0, 400.0]),
        ..Link::default()
    };
    let apart_ms = within(&mut random, 2.2, 12.0) * packet_ms;
    let hands = match (random.uniform() * 8.0) as u32 {
        0 => Hands::Timer(apart_ms.max(100.0), 0.0),
        1 => Hands::Timer(apart_ms.max(100.0), within(&mut random, 0.0, 20.0)),
        2 => Hands::Timer((apart_ms / packet_ms).round() * packet_ms, 0.0),
        3 => Hands::Timer((apart_ms / interval_ms).round().max(2.0) * interval_ms, 0.0),
        4 => {
            let period_ms: f64 = one_of(&mut random, &[100.0, 125.0, 200.0, 250.0, 500.0, 1000.0]);
            Hands::Timer(period_ms.max(2.0 * packet_ms), one_of(&mut random, &[0.0, 1.0, 5.0]))
        }
        5 => Hands::Full(2 + (random.uniform() * 10.0) as usize),
        6 => Hands::Woken(apart_ms, within(&mut random, 0.5, 12.0)),
        _ => Hands::Random(apart_ms.max(60.0)),
    };
    // What the link hardly carries waits in a queue.
    let carried = again / (1.0 - again) * (interval_ms / packet_ms).max(1.0) < 0.6;
    carried.then_some((link, hands))
}

#[test]
fn whatever_hands_packets_over_in_batches_the_interval_holds_the_clock() {
    for declared in [false, true] {
        let (mut n, mut shares, mut live_shares, mut half_ms) = (0_u32, 0.0, 0.0, 0.0);
        for seed in 1..=48 {
            let Some((link, hands)) = drawn(seed) else { continue };
            let arrivals = handed_over(&link.arrivals(seed), hands, seed);
            let interval_us = declared.then_some(link.interval_us);
            let setup = Setup { interval_us, ..setup(link.period_s) };
            let (replayed, live, half) = held(&arrivals, &setup, |at_s| link.truth_us(at_s));
            assert!(
                replayed > 0.95,
                "seed {seed}, declared {declared}: {replayed}, ±{half} ms: {link:?} {hands:?}"
            );
            (n, shares, live_shares) = (n + 1, shares + replayed, live_shares + live);
            half_ms += half;
        }
        let n = f64::from(n);
        println!(
            "declared {declared}: {:.3} {:.3}, ±{:.1} ms of {n}",
            shares / n,
            live_shares / n,
            half_ms / n
        );
        assert!(live_shares / n > 0.95, "declared {declared}: {}", live_shares / n);
    }
}

#[test]
fn the_newest_of_many_batches_say_more_than_an_interval_and_a_period() {
    // Packets each 36 ms over a radio's 15 ms, of which they meet five phases, and an app that hands over each 317 ms.
    let link =
        Link { packets: 50_000, period_s: 0.036, interval_us: 15_000.0, jitter_us: 50.0, ..Link::default() };
    for (declared, most_ms) in [(true, 16.0), (false, 55.0)] {
        for seed in 1..=5 {
            let arrivals = handed_over(&link.arrivals(seed), Hands::Timer(317.0, 0.0), seed);
            let interval_us = declared.then_some(link.interval_us);
            let setup = Setup { interval_us, ..setup(link.period_s) };
            let (replayed, _, half_ms) = held(&arrivals, &setup, |at_s| link.truth_us(at_s));
            println!("seed {seed}, declared {declared}: {replayed}, ±{half_ms:.1} ms");
            assert!(
                replayed > 0.95 && half_ms < most_ms,
                "seed {seed}, declared {declared}: {replayed}, ±{half_ms} ms"
            );
        }
    }
}
