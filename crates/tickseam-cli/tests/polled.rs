//! An app that takes packets when it draws, over a radio that has a grid of its own: what a replay says of it, and of a declared interval that it hides.

use tickseam_cli::align::{Captured, align};
use tickseam_cli::compare::compare;
use tickseam_cli::{alignment, simulated};
use tickseam_record::{Alignment, Packet, Packets};
use tickseam_sim::{Scenario, simulate};

/// Time from one drawing to the next, ns.
const DRAWN_NS: i64 = 16_666_667;

/// What is said of a session whose packets are stamped as the app draws, and the share of its events whose interval holds.
fn polled(declared: bool, seed: u64) -> (Alignment, f64) {
    let text = format!(
        "duration_s = 600\n[device]\noffset_ppm = 12\n[link]\ninterval_ms = 11.25\nradio_ppm = -3\n[declare]\n\
         connection_interval = {declared}\n[[stream]]\nrate_hz = 250.0\nsamples_per_packet = 9\n"
    );
    let scenario = Scenario::from_toml(&text).unwrap();
    let mut recording = simulated::recording(&simulate(&scenario, seed).unwrap()).unwrap();
    let drawn =
        |packet: Packet| Packet { host_ns: (packet.host_ns + DRAWN_NS - 1) / DRAWN_NS * DRAWN_NS, ..packet };
    recording.packets = recording.packets.iter().map(drawn).collect::<Packets<'static>>();
    let captured = Captured::of(&recording);
    let aligned = align(&captured).unwrap();
    let held = compare(&aligned, recording.truth.as_ref().unwrap()).expect("events were placed").errors;
    (alignment(&aligned, &captured, None, Vec::new(), Vec::new()), held.interval_held_share)
}

#[test]
fn a_grid_that_no_radio_has_is_told_as_one_that_may_hide_the_radios() {
    for (declared, seed) in [(true, 1), (true, 2), (false, 3), (false, 4)] {
        let (alignment, held) = polled(declared, seed);
        let segment = &alignment.segments[0];
        assert_eq!(segment.link_kind, "grid-polled", "seed {seed}");
        let grid_ms = segment.grid_interval_ms.unwrap();
        assert!((grid_ms - 16.667).abs() < 0.02, "seed {seed}: {grid_ms}");
        // Packets of 36 ms meet every fifth of 11.25 ms, and those instants every 27th of 16.667 ms: 2.25 and 0.42 ms, and a fifth more.
        let hidden_ms = segment.unseen_interval_ms.expect("something is hidden");
        assert!(
            if declared { (hidden_ms - 3.2).abs() < 0.1 } else { hidden_ms > 3.2 },
            "seed {seed}: {hidden_ms}"
        );
        assert_eq!(segment.declared_interval_refuted, declared, "seed {seed}");
        let words = alignment.words.join(" ") + &alignment.notes.join(" ");
        assert_eq!(words.contains("does not show in the arrivals"), declared, "seed {seed}: {words}");
        assert!(words.contains("no radio of Bluetooth LE has such a grid"), "seed {seed}: {words}");
        assert!(words.contains("stamp packets as the phone receives them"), "seed {seed}: {words}");
        assert!(!words.contains("does not fit") && !words.contains("shortest waits were seen"), "{words}");
        assert!(held > 0.95, "seed {seed}: {held}");
    }
}
