//! A counter of 64 bits that begins anywhere: differences of a few ticks must not be lost in its size.

use tickseam_cli::align::{Captured, align};
use tickseam_cli::simulated;
use tickseam_record::Recording;
use tickseam_sim::{Scenario, simulate};

fn recorded(tick_bits: u32, seed: u64) -> Recording {
    let scenario = format!(
        "duration_s = 600.0\n[device]\ntick_hz = 1000000.0\ntick_bits = {tick_bits}\n[link]\nkind = \"constant\"\n\
         [markers]\nperiod_s = 40.0\nnoise_ms = 0.02\n"
    );
    simulated::recording(&simulate(&Scenario::from_toml(&scenario).unwrap(), seed).unwrap()).unwrap()
}

#[test]
fn events_fall_where_they_do_with_a_counter_of_32_bits() {
    for seed in 1..=8 {
        let [narrow, wide] = [32, 64].map(|tick_bits| {
            let recording = recorded(tick_bits, seed);
            let aligned = align(&Captured::of(&recording)).unwrap();
            (recording.markers, aligned.events.rows)
        });
        let far = wide.0.iter().any(|marker| marker.tick > 1 << 60);
        assert!(far || seed > 1, "seed {seed}: {:?}", wide.0.first());
        assert_eq!(narrow.1.len(), wide.1.len());
        for (narrow, wide) in narrow.1.iter().zip(&wide.1) {
            let apart_ms = (narrow.onset_s.unwrap() - wide.onset_s.unwrap()).abs() * 1e3;
            assert!(apart_ms < 0.005, "seed {seed}: {apart_ms} ms apart");
            assert_eq!(narrow.u95_ms.map(|ms| (ms * 1e3).round()), wide.u95_ms.map(|ms| (ms * 1e3).round()));
        }
    }
}
