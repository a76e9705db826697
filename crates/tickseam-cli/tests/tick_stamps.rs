//! A counter that firmware does not read at a packet's first sample.

use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_cli::compare::compare;
use tickseam_cli::simulated;
use tickseam_sim::{Scenario, simulate};

fn aligned(text: &str, seed: u64) -> (Aligned, f64, f64) {
    let scenario = Scenario::from_toml(text).unwrap();
    let recording = simulated::recording(&simulate(&scenario, seed).unwrap()).unwrap();
    let aligned = align(&Captured::of(&recording)).unwrap();
    let errors = compare(&aligned, recording.truth.as_ref().unwrap()).expect("events were placed").errors;
    (aligned, errors.placement.p99_ms, errors.interval_held_share)
}

const RADIO_EVENT: &str = "
duration_s = 300
[device]
tick_stamp = \"radio-event\"
[link]
interval_ms = 30
[[stream]]
rate_hz = 256.0
samples_per_packet = 8
";

#[test]
fn a_counter_read_at_the_radio_event_is_left_for_the_count_of_samples() {
    for seed in 1..=10 {
        let (aligned, p99_ms, held) = aligned(RADIO_EVENT, seed);
        assert!(aligned.remarks[0].contains("against the sequence numbers"), "{:?}", aligned.remarks);
        assert!(p99_ms < 2.0 && held > 0.9, "seed {seed}: {p99_ms} ms, held {held}");
    }
}

#[test]
fn a_jump_of_the_counter_now_and_then_is_no_reason_to_leave_it() {
    let text = "duration_s = 600\n[[fault]]\nkind = \"tick-step\"\nat_s = 100\nstep_s = 2.0\n\
                [[fault]]\nkind = \"tick-step\"\nat_s = 300\nstep_s = -1.0\n";
    let (aligned, _, _) = aligned(text, 1);
    assert!(!aligned.remarks.iter().any(|remark| remark.contains("Time was counted by samples")));
}

// The exchanges' ticks are true, the packets' are 27 ms late: which of the two is wrong cannot be known.
#[test]
fn a_counter_read_at_the_last_sample_contradicts_exchanges_and_the_interval_says_so() {
    let text = RADIO_EVENT.replace("radio-event", "last-sample")
        + "[exchanges]\nperiod_s = 10\nreply_dither_ms = 30\n";
    for seed in 1..=10 {
        let (aligned, _, held) = aligned(&text, seed);
        assert!(aligned.segments[0].fixed_delay_refuted);
        assert!(held > 0.95, "seed {seed}: held {held}");
    }
}
