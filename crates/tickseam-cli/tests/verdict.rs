//! The verdict held against the truth: what it says that timing can do to an average, and what it did.

use std::collections::BTreeMap;

use tickseam_cli::align::{Captured, align};
use tickseam_cli::simulated;
use tickseam_cli::verdict::criteria::Criteria;
use tickseam_cli::verdict::judge;
use tickseam_record::Status;
use tickseam_sim::{Scenario, simulate};

/// Links that slip, beat slowly, lock, scatter on one side, and labels that come in blocks.
const SCENARIOS: [&str; 5] = [
    "duration_s = 600\n[link]\ninterval_ms = 15.0\n",
    "duration_s = 600\n[link]\ninterval_ms = 30.0\n[[stream]]\nsamples_per_packet = 10\n",
    "duration_s = 300\n[link]\ninterval_ms = 20.0\n[device]\noffset_ppm = 4.0\n",
    "duration_s = 600\n[link]\nkind = \"one-sided\"\nleast_ms = 5.0\nnoise = \"uniform\"\nnoise_ms = 8.0\n",
    "duration_s = 600\n[link]\ninterval_ms = 15.0\nerror_rate = 0.3\n[declare]\nfixed_delay_u_ms = 1.0\n",
];

const SEEDS: std::ops::RangeInclusive<u64> = 1..=16;

/// `cargo test --release -p tickseam-cli --test verdict -- --nocapture` prints how often each statement held, and how closely.
#[test]
fn averages_lose_and_shift_no_more_than_the_verdict_says() {
    let criteria = Criteria::default();
    let (mut shifts, mut differences, mut amplitudes) = (Vec::new(), Vec::new(), Vec::new());
    for text in SCENARIOS {
        let scenario = Scenario::from_toml(text).unwrap();
        for seed in SEEDS {
            let mut recording = simulated::recording(&simulate(&scenario, seed).unwrap()).unwrap();
            let truth = recording.truth.take().unwrap();
            let aligned = align(&Captured::of(&recording)).unwrap();
            let verdict = judge(&aligned, &criteria).unwrap();
            let mut errors_ms: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
            for (row, truth) in aligned.events.rows.iter().zip(&truth) {
                assert_eq!((row.host_ns, &row.label), (truth.host_ns, &truth.label));
                if row.status == Status::Placed {
                    let error_ms = (row.onset_s.unwrap() - truth.onset_s) * 1e3;
                    errors_ms.entry(&row.label).or_default().push(error_ms);
                }
            }
            let mean = |label: &str| errors_ms[label].iter().sum::<f64>() / errors_ms[label].len() as f64;
            for condition in &verdict.conditions {
                shifts.push(mean(&condition.label).abs() / condition.latency_shift_ms.unwrap());
                for component in &condition.components {
                    // Height of the average where the average of the bumps lies.
                    let (errors_ms, middle_ms) = (&errors_ms[&*condition.label], mean(&condition.label));
                    let bump = |ms: &f64| (-0.5 * ((ms - middle_ms) / component.sd_ms).powi(2)).exp();
                    let left = errors_ms.iter().map(bump).sum::<f64>() / errors_ms.len() as f64;
                    amplitudes.push((1.0 - left) / (1.0 - component.amplitude_left.unwrap()));
                }
            }
            for difference in &verdict.differences {
                let off_ms = (mean(&difference.label) - mean(&difference.other_label)).abs();
                differences.push(off_ms / difference.latency_difference_ms);
            }
        }
    }
    for (what, ratios) in [("shift", shifts), ("difference", differences), ("amplitude lost", amplitudes)] {
        let held = ratios.iter().filter(|ratio| **ratio <= 1.0).count() as f64 / ratios.len() as f64;
        let largest = ratios.iter().copied().fold(0.0, f64::max);
        println!(
            "{what}: within what was said in {:.1} % of {} cases, at most {largest:.2} of it",
            100.0 * held,
            ratios.len()
        );
        assert!(held >= 0.95, "{what}: {held}");
        // Not by being so wide that it says nothing.
        assert!(largest > 0.05, "{what}: {largest}");
    }
}
