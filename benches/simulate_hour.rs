//! One hour of link, simulated: packets of 20 ms over an interval of 15 ms, and the same with everything that a radio may meet.
//!
//! Limit: 0.2 s on one core.

use std::hint::black_box;

use criterion::Criterion;
use tickseam_benches::benched;
use tickseam_sim::{Scenario, simulate};

const PLAIN: &str = "duration_s = 3600";
const CROWDED: &str = "
duration_s = 3600
[host]
tail_probability = 0.01
stalls_per_hour = 60
duplicates = 0.01
reordering = 0.01
[link]
supervision_timeout_ms = 4000
burst_probability = 0.002
fades_per_hour = 20
bad_channels = [0, 1, 2, 3, 4, 5, 6, 7, 8]
[[link.other_link]]
interval_ms = 30
event_ms = 5
[exchanges]
period_s = 2
";

fn main() {
    if !benched() {
        return;
    }
    let mut criterion = Criterion::default().configure_from_args();
    for (name, text) in [("simulate_hour/plain", PLAIN), ("simulate_hour/crowded", CROWDED)] {
        let scenario = Scenario::from_toml(text).expect("a scenario");
        criterion.bench_function(name, |bencher| bencher.iter(|| black_box(simulate(&scenario, 1))));
    }
    criterion.final_summary();
}
