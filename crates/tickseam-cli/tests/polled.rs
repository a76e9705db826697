//! An app that takes packets when it draws, over a radio that has a grid of its own: what a replay says of it, and of a declared interval that it hides.

use tickseam_cli::align::{Captured, align};
use tickseam_cli::compare::compare;
use tickseam_cli::{alignment, simulated};
use tickseam_record::{Alignment, Packet, Packets};
use tickseam_sim::{Scenario, simulate};

/// Time from one drawing to the next, ns.
const DRAWN_NS: i64 = 16_666_667;

/// What is said of a session of packets of 36 ms over 11.25 ms, whose stamps are moved, and the share of its events whose interval holds.
fn moved(declared: bool, seed: u64, moved_ns: impl Fn(i64) -> i64) -> (Alignment, f64) {
    let text = format!(
        "duration_s = 600\n[device]\noffset_ppm = 12\n[link]\ninterval_ms = 11.25\nradio_ppm = -3\n[declare]\n\
         connection_interval = {declared}\n[[stream]]\nrate_hz = 250.0\nsamples_per_packet = 9\n"
    );
    let scenario = Scenario::from_toml(&text).unwrap();
    let mut recording = simulated::recording(&simulate(&scenario, seed).unwrap()).unwrap();
    let stamped = |packet: Packet| Packet { host_ns: moved_ns(packet.host_ns), ..packet };
    recording.packets = recording.packets.iter().map(stamped).collect::<Packets<'static>>();
    let captured = Captured::of(&recording);
    let aligned = align(&captured).unwrap();
    let held = compare(&aligned, recording.truth.as_ref().unwrap()).expect("events were placed").errors;
    (alignment(&aligned, &captured, None, Vec::new(), Vec::new()), held.interval_held_share)
}

/// The same of an app that stamps its packets as it draws.
fn polled(declared: bool, seed: u64) -> (Alignment, f64) {
    moved(declared, seed, |host_ns| (host_ns + DRAWN_NS - 1) / DRAWN_NS * DRAWN_NS)
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

#[test]
fn batches_of_an_app_are_told_as_what_hides_the_radio() {
    // Each 100 ms, which a radio's interval may be too, but for packets that come closer than it sends them; and each 437 ms.
    for (declared, batch_ns, seed) in
        [(true, 100_000_000, 1), (false, 100_000_000, 2), (true, 437_000_000, 3), (false, 437_000_000, 4)]
    {
        let (alignment, held) =
            moved(declared, seed, |host_ns| (host_ns + batch_ns - 1) / batch_ns * batch_ns);
        let segment = &alignment.segments[0];
        assert_eq!(segment.link_kind, "batched", "seed {seed}");
        assert_eq!((segment.beat_ms, segment.beat_slips), (None, None), "seed {seed}");
        let words = alignment.words.join(" ") + &alignment.notes.join(" ");
        let allowed = if declared {
            "the declared connection interval of 11.25 ms"
        } else {
            "any usual connection interval up to 100.00 ms"
        };
        for said in ["hands over several at once", allowed, "stamp packets as the phone receives them"] {
            assert!(words.contains(said), "seed {seed}, {said}: {words}");
        }
        assert!(!words.contains("does not fit") && !words.contains("shortest waits were seen"), "{words}");
        assert!(held > 0.95, "seed {seed}: {held}");
    }
}
