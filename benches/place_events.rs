//! Cost of one event, placed by the knots of a replayed hour, beside placing it by a straight line.

use std::hint::black_box;

use criterion::{Criterion, Throughput};
use tickseam::block::WorkingLine;
use tickseam::placement::{Placing, Shift};
use tickseam::replay::{Stage, known_at};
use tickseam_benches::{Night, benched, in_turn, night, replayed, stages};

const PACKETS: u32 = 180_000;
/// A trial each 1.8 s.
const EVENTS: i64 = 2_000;
const SPACING_NS: i64 = 1_800_000_000;
/// Limit on the change of rate between knots, ppm/s.
const CURVATURE_PPM_PER_S: f64 = 0.01;

fn host_ns(night: &Night, event: i64) -> i64 {
    night.frame.host_origin_ns + event * SPACING_NS
}

fn by_knots(night: &Night, stages: &[Stage]) {
    let placing = Placing {
        frame: night.frame,
        fixed_delay: night.setup.fixed_delay.unwrap_or_default(),
        resolution_us: night.setup.resolution_us,
        curvature_ppm_per_s: CURVATURE_PPM_PER_S,
    };
    for event in 0..EVENTS {
        let known = |device_s: f64| known_at(stages, device_s, CURVATURE_PPM_PER_S).unwrap_or_default();
        black_box(placing.place(black_box(host_ns(night, event)), Shift::default(), known));
    }
}

fn by_line(night: &Night, line: WorkingLine) {
    for event in 0..EVENTS {
        black_box(
            night.frame.device_s_at(black_box(host_ns(night, event)), 0.0, |device_s| line.at(device_s)),
        );
    }
}

fn main() {
    if !benched() {
        return;
    }
    let night = night(PACKETS);
    let mut stages = stages(&night);
    let (line, used) = replayed(&night, &mut stages);
    stages.truncate(used);
    let mut criterion = Criterion::default().configure_from_args();
    let mut group = criterion.benchmark_group("place_events");
    group.throughput(Throughput::Elements(EVENTS.unsigned_abs()));
    group.bench_function("knots", |bencher| bencher.iter(|| by_knots(&night, &stages)));
    group.bench_function("straight_line", |bencher| bencher.iter(|| by_line(&night, line)));
    group.finish();
    criterion.final_summary();

    let (of_knots, of_line) = in_turn(20, || by_knots(&night, &stages), || by_line(&night, line));
    let each_ns = |time: std::time::Duration| time.as_secs_f64() * 1e9 / EVENTS as f64;
    println!(
        "place_events: {:.0} ns an event with its interval; by a straight line {:.0} ns; ratio {:.1}",
        each_ns(of_knots),
        each_ns(of_line),
        of_knots.as_secs_f64() / of_line.as_secs_f64()
    );
}
