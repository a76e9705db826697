//! Cost of one packet while a session runs, beside the running sums of plain least squares in the same run.
//!
//! Limit: 1 µs a packet.

use std::hint::black_box;

use criterion::{Criterion, Throughput};
use tickseam::intake::{DeviceClock, Intake, PacketStamp, StreamConfig};
use tickseam::live::Live;
use tickseam_benches::{Night, RunningSums, benched, in_turn, night};

/// Forty minutes: all that the estimator does now and then happens many times.
const PACKETS: u32 = 120_000;

fn live(night: &Night) {
    let mut live = Live::new(night.setup);
    for &arrival in &night.arrivals {
        live.observe(black_box(arrival));
    }
    black_box(live.known_at(live.newest_s()));
}

fn sums(night: &Night) {
    let mut sums = RunningSums::default();
    for &arrival in &night.arrivals {
        // Looked at after each packet, or the loop would be turned into one over many at a time.
        sums.observe(black_box(arrival));
        black_box(&mut sums);
    }
    black_box(sums.rate_ppm());
}

/// From the stamp as received: unwrapping and sorting into segments too.
fn whole_way(night: &Night) {
    let clock = DeviceClock { tick_hz: 32_768.0, tick_bits: 32, tolerance_ppm: 70.0 };
    let stream = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
    let mut intake = Intake::<1>::new(clock, &[stream]).expect("a stream that can be");
    let mut live = Live::new(night.setup);
    let mut zero = None;
    for packet in night.packets.iter().take(night.arrivals.len()) {
        let stamp = PacketStamp {
            host_ns: packet.host_ns,
            sequence: packet.sequence,
            tick: packet.tick,
            samples: packet.samples,
        };
        if let Some(resolved) = intake.observe(0, black_box(stamp)).resolved {
            let count = resolved.index - *zero.get_or_insert(resolved.index);
            live.observe(night.frame.arrival(count, packet.host_ns));
        }
    }
    black_box(live.known_at(live.newest_s()));
}

fn main() {
    if !benched() {
        return;
    }
    let night = night(PACKETS);
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("live_observe");
    group.throughput(Throughput::Elements(u64::from(PACKETS))).sample_size(20);
    group.bench_function("live", |bencher| bencher.iter(|| live(&night)));
    group.bench_function("intake_and_live", |bencher| bencher.iter(|| whole_way(&night)));
    group.bench_function("least_squares_sums", |bencher| bencher.iter(|| sums(&night)));
    group.finish();
    criterion.final_summary();

    let each_ns = |time: std::time::Duration| time.as_secs_f64() * 1e9 / f64::from(PACKETS);
    let (of_live, of_sums) = in_turn(20, || live(&night), || sums(&night));
    let (of_way, _) = in_turn(20, || whole_way(&night), || ());
    println!(
        "live_observe: {:.1} ns a packet (limit 1000), {:.1} ns from the stamp as received; least squares' running sums \
         {:.2} ns; ratio {:.1}",
        each_ns(of_live),
        each_ns(of_way),
        each_ns(of_sums),
        of_live.as_secs_f64() / of_sums.as_secs_f64()
    );
}
