//! The replay of eight hours, 1.44 million packets, from unwrapped arrivals to knots; reading is not part of it.
//!
//! Limit: 0.6 s.

use std::hint::black_box;

use criterion::{Criterion, Throughput};
use tickseam::line::LineAccumulator;
use tickseam_benches::{Night, benched, in_turn, night, replayed, stages};

const PACKETS: u32 = 1_440_000;

/// A straight line by least squares, as the core fits one.
fn line(night: &Night) {
    let mut sums = LineAccumulator::new();
    for arrival in &night.arrivals {
        let _ = sums.add(arrival.device_s, arrival.residual_us, 1.0);
    }
    black_box(sums.fit().is_ok());
}

fn main() {
    if !benched() {
        return;
    }
    let night = night(PACKETS);
    let mut stages = stages(&night);
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("replay_night");
    group.throughput(Throughput::Elements(u64::from(PACKETS))).sample_size(10);
    group.bench_function("replay", |bencher| bencher.iter(|| replayed(black_box(&night), &mut stages)));
    group.bench_function("least_squares", |bencher| bencher.iter(|| line(black_box(&night))));
    group.finish();
    criterion.final_summary();

    let replay = || {
        black_box(replayed(&night, &mut stages));
    };
    let (of_replay, of_line) = in_turn(5, replay, || line(&night));
    println!(
        "replay_night: {:.3} s for {PACKETS} packets (limit 0.6); one least-squares line {:.3} s; ratio {:.1}",
        of_replay.as_secs_f64(),
        of_line.as_secs_f64(),
        of_replay.as_secs_f64() / of_line.as_secs_f64()
    );
}
