//! What the app makes of its log leaves its signature there, and nowhere else.

use std::collections::HashMap;

use tickseam_sim::{Packet, Scenario, ScenarioError, Simulated, simulate};

const QUIET: &str = "duration_s = 120\n[device]\ntick_hz = 1e6\nfirst_tick = 0\nfirst_sequence = 0\n";

fn session(tables: &str) -> Simulated {
    simulate(&Scenario::from_toml(&format!("{QUIET}{tables}")).unwrap(), 1).unwrap()
}

/// How often each sequence number is in the log.
fn copies(session: &Simulated) -> HashMap<u64, usize> {
    let mut copies = HashMap::new();
    for packet in &session.packets {
        *copies.entry(packet.sequence).or_default() += 1;
    }
    copies
}

fn at_s(packet: &Packet) -> f64 {
    (packet.host_ns - Scenario::default().host.origin_ns) as f64 * 1e-9
}

#[test]
fn an_overwritten_value_is_missing_and_the_newest_of_its_burst_is_read_again() {
    let link = "[link]\nerror_rate = 0.0\ninterval_ms = 45.0\n";
    let plain = session(link);
    let overwritten = session(&format!("{link}[log]\noverwritten_within_ms = 6.0\n"));
    assert_eq!(overwritten.packets.len(), plain.packets.len());
    let mut shown_again = 0;
    for (row, (packet, was)) in overwritten.packets.iter().zip(&plain.packets).enumerate() {
        assert_eq!(packet.host_ns, was.host_ns, "the callbacks come as before");
        let end = (row..plain.packets.len() - 1)
            .find(|&row| plain.packets[row + 1].host_ns - plain.packets[row].host_ns > 6_000_000)
            .unwrap_or(plain.packets.len() - 1);
        assert_eq!((packet.sequence, packet.tick), (plain.packets[end].sequence, plain.packets[end].tick));
        assert_eq!(overwritten.truth.places[row], plain.truth.places[end]);
        shown_again += usize::from(end > row);
    }
    // 45 ms hold 2.25 packets, one of which is read.
    let share = shown_again as f64 / plain.packets.len() as f64;
    assert!((share - 1.25 / 2.25).abs() < 0.03, "{share}");
}

#[test]
fn each_reconnection_adds_a_copy_of_every_later_packet() {
    let faults = "[log]\nsubscriptions_pile_up = true\n\
                  [[fault]]\nkind = \"disconnection\"\nat_s = 40.0\noff_s = 2.0\n\
                  [[fault]]\nkind = \"disconnection\"\nat_s = 80.0\noff_s = 2.0\n";
    let session = session(faults);
    let copies = copies(&session);
    let mut seen = [0; 4];
    for packet in &session.packets {
        let expected = [40.0, 80.0].iter().filter(|&&from_s| at_s(packet) > from_s + 1.0).count() + 1;
        assert_eq!(copies[&packet.sequence], expected);
        seen[expected] += 1;
    }
    assert!(seen[1] > 1_900 && seen[2] > 3_600 && seen[3] > 5_300, "{seen:?}");
}

#[test]
fn a_log_may_lack_a_stream_end_early_or_hold_nothing() {
    let streams = "[[stream]]\nname = \"eeg\"\n[[stream]]\nname = \"optical\"\n";
    let without = session(&format!("[log]\nwithout_streams = [\"optical\"]\n{streams}"));
    assert!(without.packets.len() > 5_900 && without.packets.iter().all(|packet| packet.stream == 0));
    assert_eq!(without.description.streams.len(), 2);
    for most in [0, 1, 2, 100] {
        let short = session(&format!("[log]\npackets_at_most = {most}\n"));
        assert_eq!(short.packets.len(), most);
        assert_eq!((short.truth.first_sample_s.len(), short.truth.places.len()), (most, most));
        assert!(!short.events.is_empty());
    }
    let refused = Scenario::from_toml("[log]\nwithout_streams = [\"gyro\"]\n").unwrap_err();
    assert!(matches!(refused, ScenarioError::Value { key, .. } if key == "log.without_streams"));
}

#[test]
fn sightings_may_be_had_for_a_part_of_the_session_only() {
    let often = "[exchanges]\nperiod_s = 2.0\n[markers]\nperiod_s = 5.0\n";
    let all = session(often);
    let some = session(&format!("{often}[log]\nsightings_from_s = 50.0\nsightings_to_s = 70.0\n"));
    let origin_ns = Scenario::default().host.origin_ns;
    let inside = |host_ns: i64| (50.0..=70.0).contains(&((host_ns - origin_ns) as f64 * 1e-9));
    let exchanges: Vec<_> = all.exchanges.iter().filter(|exchange| inside(exchange.origin_ns)).collect();
    assert!(exchanges.len() >= 9 && exchanges == some.exchanges.iter().collect::<Vec<_>>());
    let markers: Vec<_> = all.markers.iter().filter(|marker| inside(marker.host_ns)).collect();
    assert!(markers.len() >= 3 && markers == some.markers.iter().collect::<Vec<_>>());
    assert_eq!(some.packets, all.packets);
}

#[test]
fn an_offset_moves_one_field_of_so_many_rows() {
    let plain = session("");
    for (field, by_ms) in [("tick", 40.0), ("tick", -40.0), ("host-ns", -40.0), ("host-ns", 1e4)] {
        let fault = format!(
            "[[fault]]\nkind = \"stamp-offset\"\nat_s = 50.0\nfield = \"{field}\"\nby_ms = {by_ms:.1}\npackets = 3\n"
        );
        let moved = session(&fault);
        let rows: Vec<usize> =
            (0..plain.packets.len()).filter(|&row| moved.packets[row] != plain.packets[row]).collect();
        assert!(rows.len() == 3 && rows[2] == rows[0] + 2, "{rows:?}");
        for row in rows {
            let (is, was) = (moved.packets[row], plain.packets[row]);
            assert!((50.0..50.1).contains(&at_s(&was)));
            let ticks = is.tick.unwrap() as i64 - was.tick.unwrap() as i64;
            let off_ns = is.host_ns - was.host_ns;
            let expected =
                if field == "tick" { (by_ms as i64 * 1_000, 0) } else { (0, by_ms as i64 * 1_000_000) };
            assert_eq!((ticks, off_ns), expected);
        }
        assert_eq!(moved.truth, plain.truth);
    }
}

#[test]
fn a_slew_leaves_the_clock_off_by_rate_times_time() {
    let plain = session("");
    let slewed = session("[[fault]]\nkind = \"host-slew\"\nat_s = 40.0\nfor_s = 50.0\nppm = 500.0\n");
    for (is, was) in slewed.packets.iter().zip(&plain.packets) {
        let expected_s = (at_s(was) - 40.0).clamp(0.0, 50.0) * 500e-6;
        let off_s = (is.host_ns - was.host_ns) as f64 * 1e-9;
        assert!((off_s - expected_s).abs() < 2e-9, "{off_s} at {} s", at_s(was));
        assert_eq!((is.sequence, is.tick), (was.sequence, was.tick));
    }
    for (is, was) in slewed.truth.events.iter().zip(&plain.truth.events) {
        assert_eq!(is.onset_s, was.onset_s, "the headset's clock knows nothing of it");
    }
}

#[test]
fn samples_on_their_own_crystal_come_faster_than_the_counter_says() {
    let own = session("sample_ppm = 100.0\n");
    let (first, last) = (own.packets[0], *own.packets.last().unwrap());
    let samples = (last.sequence - first.sequence) as f64 * 5.0;
    let ticked_s = (last.tick.unwrap() - first.tick.unwrap()) as f64 * 1e-6;
    let ppm = (samples / 250.0 / ticked_s - 1.0) * 1e6;
    assert!((ppm - 100.0).abs() < 0.1, "{ppm}");
    // The truth is told on the counter's timeline, as without.
    let plain = session("");
    let off = |session: &Simulated| session.truth.events[50].onset_s.unwrap();
    assert!((off(&own) - off(&plain)).abs() < 1e-5);
    assert!(Scenario::from_toml("[device]\nticks = false\nsample_ppm = 5.0\n").is_err());
}

#[test]
fn true_places_tell_repeats_and_boots() {
    let session =
        session("[host]\nduplicates = 0.1\n[[fault]]\nkind = \"reboot\"\nat_s = 60.0\noff_s = 3.0\n");
    for (packet, place) in session.packets.iter().zip(&session.truth.places) {
        assert_eq!(packet.sequence, place.index, "counters begin at 0 in either boot");
        assert_eq!(place.boot, u16::from(at_s(packet) > 61.0));
    }
    let distinct: std::collections::HashSet<_> = session.truth.places.iter().collect();
    assert_eq!((session.packets.len() - distinct.len()) as u64, session.statistics.duplicates);
}

#[test]
fn sequence_numbers_may_begin_anew_with_a_connection_while_the_counter_goes_on() {
    let fault = "[[fault]]\nkind = \"disconnection\"\nat_s = 60.0\noff_s = 3.0\n";
    for stream in ["", "[[stream]]\ndither_samples = 2\n"] {
        let plain = session(&format!("{stream}{fault}"));
        let anew = session(&format!("sequence_per_connection = true\n{stream}{fault}"));
        let first = plain.packets.iter().position(|packet| at_s(packet) > 61.0).unwrap();
        let skipped = plain.packets[first].sequence;
        for (row, (is, was)) in anew.packets.iter().zip(&plain.packets).enumerate() {
            assert_eq!((is.host_ns, is.tick, is.samples), (was.host_ns, was.tick, was.samples));
            // The first packet that becomes ready after the new connection is number 0.
            let expected = if row < first {
                was.sequence
            } else {
                was.sequence + anew.packets[first].sequence - skipped
            };
            assert_eq!(is.sequence, expected);
        }
        assert!(anew.packets[first].sequence == 0 && anew.packets.len() > first + 2_000);
        assert_eq!(anew.truth, plain.truth);
    }
}

#[test]
fn what_is_expected_of_an_alignment_is_not_the_simulators() {
    let text = "duration_s = 60\n[expect]\nheld_at_least = 0.93\nsays = [\"of the future\"]\n";
    let scenario = Scenario::from_toml(text).unwrap();
    assert_eq!(scenario, Scenario { duration_s: 60.0, ..Scenario::default() });
    assert!(!scenario.to_toml().unwrap().contains("expect"));
}
