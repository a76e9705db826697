//! Changes of clock and link in simulated recordings: found, named, and not found where there are none.
//!
//! The table of `changes.rs` is made by `cargo test --release -p tickseam-cli --test changes -- --ignored --nocapture`.

use std::time::Instant;

use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_cli::compare::compare;
use tickseam_cli::simulated;
use tickseam_sim::scenario::Fault;
use tickseam_sim::{Class, Scenario, random_scenario, simulate};

/// One aligned recording with its scenario.
struct Run {
    seed: u64,
    scenario: Scenario,
    aligned: Aligned,
    held: f64,
    live_held: Option<f64>,
    elsewhere: u64,
}

fn run(scenario: Scenario, seed: u64) -> Run {
    let session = simulate(&scenario, seed).unwrap();
    let mut recording = simulated::recording(&session).unwrap();
    let truth = recording.truth.take().unwrap();
    let aligned = align(&Captured::of(&recording)).unwrap();
    let comparison = compare(&aligned, &truth).unwrap();
    Run {
        seed,
        scenario,
        held: comparison.errors.interval_held_share,
        live_held: comparison.errors.live_interval_held_share,
        elsewhere: comparison.in_another_segment,
        aligned,
    }
}

const FAULTED: [Class; 5] =
    [Class::Slipping, Class::Partly, Class::Locked, Class::OneSided, Class::Constant];

/// A random scenario of 15 minutes, of each class in its turn, with a fixed delay that is known and no faults.
fn random(seed: u64) -> Scenario {
    let class = FAULTED[(seed % 5) as usize];
    let (mut scenario, _) = random_scenario(seed, Some(class));
    scenario.duration_s = 900.0;
    scenario.trials.interval_s = [1.0, 1.4];
    scenario.declare.fixed_delay = true;
    scenario
}

/// What was found in a recording, as text.
fn slips(run: &Run) -> Vec<(String, f64, f64, u32)> {
    let origin_ns = run.scenario.host.origin_ns;
    let of_segment = |s: &tickseam_record::SegmentSummary| {
        let segment = s.segment;
        s.slips
            .iter()
            .map(move |slip| {
                (slip.cause.clone(), (slip.host_ns - origin_ns) as f64 / 1e9, slip.step_ms, segment)
            })
            .collect::<Vec<_>>()
    };
    run.aligned.segments.iter().flat_map(of_segment).collect()
}

#[test]
#[ignore = "measures; minutes"]
fn measure_false_alarms() {
    let began = Instant::now();
    let mut hours = 0.0;
    let mut alarms = std::collections::BTreeMap::<(String, String), u32>::new();
    let mut seed = 50_000;
    while hours < 110.0 {
        seed += 1;
        let classes =
            [Class::Slipping, Class::Partly, Class::Locked, Class::OneSided, Class::Constant, Class::Congested];
        let wanted = classes[(seed % 6) as usize];
        let (mut scenario, class) = random_scenario(seed, Some(wanted));
        scenario.duration_s = scenario.duration_s.min(3600.0);
        hours += scenario.duration_s / 3600.0;
        let run = run(scenario, seed);
        for (cause, at_s, step_ms, _) in slips(&run) {
            *alarms.entry((format!("{class:?}"), cause.clone())).or_default() += 1;
            let h = &run.scenario.host;
            if !cause.starts_with("a") {
                println!(
                    "{seed} {class:?} {cause} {at_s:.1} s {step_ms:.0} ms, P {:.1} CI {:.2} batch {:.0} stalls {:.0}/h {:.0} ms kind {:?} lat {} fades {} segs {}",
                    run.scenario.streams[0].packet_period_ms(), run.scenario.link.interval_ms, h.batching_ms, h.stalls_per_hour, h.stall_ms, run.scenario.link.kind, run.scenario.link.peripheral_latency, run.scenario.link.fades_per_hour, run.aligned.segments.len()
                );
            }
        }
    }
    println!("{hours:.1} h, {:?}, {alarms:?}", began.elapsed());
}
