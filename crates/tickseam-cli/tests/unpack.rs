//! `tickseam unpack` as a person or a script meets it, and a simulated recording that goes through a log and comes back.

mod common;

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use tickseam_cli::simulated;
use tickseam_record::read;
use tickseam_sim::{Scenario, simulate};

use common::{said, widest};

const CAPTURES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/open_formats/captures");

/// A folder with the files of one capture.
fn capture(name: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for entry in fs::read_dir(Path::new(CAPTURES).join(name)).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    folder
}

#[test]
fn a_log_is_listed_and_a_layout_drafted() {
    let folder = capture("phone");
    let (status, output, errors) = said(&["unpack", "phone.btsnoop"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    assert!(widest(&output) <= 80, "{output}");
    for line in [
        "Log          phone.btsnoop: btsnoop, HCI packets of the UART transport (H4); 144",
        "C0:FF:EE:00:00:01   0x0012               60     49.98        36  0x0040 0x0043",
        "C0:FF:EE:00:00:01   0x0015               21     17.23      2-25  0x0040 0x0043",
        "C0:FF:EE:00:00:02   0x0012                9      7.14        10  0x0041",
        "handle = 0x0012",
        "bytes = 36",
        "sequence = { at = 0, bits = 16 }    # grows by one",
        "tick = { at = 2, bits = 32 }    # grows evenly",
    ] {
        assert!(output.contains(&format!("{line}\n")), "{line}\n{output}");
    }
    // The draft alone is no layout: what was not seen has to be said.
    let draft = &output[output.find("format = 1").unwrap()..];
    fs::write(folder.path().join("draft.toml"), draft).unwrap();
    let arguments = ["unpack", "phone.btsnoop", "--layout", "draft.toml", "--out", "out"];
    let (status, _, errors) = said(&arguments, folder.path());
    assert_eq!(status, 1);
    assert!(
        errors.starts_with("tickseam: draft.toml line 4, character 11: found text that is no TOML"),
        "{errors}"
    );
    // With that, it is one, and gives the packets.
    let mut filled = draft.to_owned();
    for (key, value) in [
        ("tick_hz", "32768"),
        ("tolerance_ppm", "50"),
        ("rate_hz", "250"),
        ("samples_per_packet", "5"),
        ("at", "6"),
        ("bits", "24"),
        ("channels", "2"),
    ] {
        filled = filled.replacen(&format!("\n{key} = ?"), &format!("\n{key} = {value}"), 1);
    }
    fs::write(folder.path().join("filled.toml"), filled.replace("\"little\"\nchannels", "\"big\"\nchannels"))
        .unwrap();
    let arguments =
        ["unpack", "phone.btsnoop", "--layout", "filled.toml", "--out", "out", "--peer", "c0:ff:ee:00:00:01"];
    assert_eq!(said(&arguments, folder.path()).0, 0);
    let made = fs::read(folder.path().join("out/eeg.npy")).unwrap();
    assert!(made == fs::read(folder.path().join("eeg.npy")).unwrap());
}

#[test]
fn what_was_unpacked_is_told_and_can_be_replayed() {
    let folder = capture("phone");
    fs::write(
        folder.path().join("taps.csv"),
        "host_ns,label,duration_ms\n1790000000500000000,tap,\n1790000000700000000,\"a, b\",5\n1,early,\n",
    )
    .unwrap();
    let arguments = [
        "unpack",
        "phone.btsnoop",
        "--layout",
        "layout.toml",
        "--out",
        "out",
        "--peer",
        "C0:FF:EE:00:00:01",
        "--events",
        "taps.csv",
    ];
    let (status, output, errors) = said(&arguments, folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    assert!(widest(&output) <= 80, "{output}");
    for line in [
        "Device       C0:FF:EE:00:00:01",
        "Packets      eeg: 60 by handle 0x0012 in 1.2 s, 49.98 a second; 300 samples",
        "Samples      motion.npy: <i2 (15, 4, 3)",
        "Stamps       in steps of 1000 ns",
        "Interval     15 ms all the time, by the log; written into recording.toml",
        "Left out     values that are no packet by `bytes` and `when`: 6 of 2 bytes",
        "Not used     9 values by handle 0x0012 from C0:FF:EE:00:00:02",
        "Events       3, 1 of them before the first packet or after the last",
        "Next         tickseam replay out",
    ] {
        assert!(output.contains(line), "{line}\n{output}");
    }
    let recording = read(&folder.path().join("out")).unwrap();
    assert_eq!(recording.events.len(), 3);
    assert_eq!((recording.events[1].label.as_str(), recording.events[1].duration_ms), ("a, b", Some(5.0)));
    let (status, replayed, errors) = said(&["replay", "out"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""), "{replayed}");
    // A second time the folder is in use.
    let (status, _, errors) = said(&arguments, folder.path());
    assert_eq!(status, 2);
    assert!(
        errors.starts_with("tickseam: out: found files in it, expected a new or an empty folder"),
        "{errors}"
    );
}

#[test]
fn a_layout_whose_counters_do_not_count_is_doubted() {
    let folder = capture("phone");
    let layout = fs::read_to_string(folder.path().join("layout.toml")).unwrap();
    for (from, to, doubt) in [
        (
            "sequence = { at = 0 }\ntick",
            "sequence = { at = 9 }\ntick",
            "have the sequence number after the one before",
        ),
        ("tick = { at = 2 }", "tick = { at = 1 }", "the tick of eeg grows by"),
        ("rate_hz = 250.0", "rate_hz = 500.0", "the tick of eeg grows by"),
    ] {
        fs::write(folder.path().join("wrong.toml"), layout.replacen(from, to, 1)).unwrap();
        let arguments = [
            "unpack",
            "phone.btsnoop",
            "--layout",
            "wrong.toml",
            "--out",
            "out",
            "--peer",
            "C0:FF:EE:00:00:01",
        ];
        let (status, output, errors) = said(&arguments, folder.path());
        assert_eq!((status, errors.as_str()), (0, ""));
        let flat = output.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains("Doubt") && flat.contains(doubt), "{output}");
        assert!(widest(&output) <= 80, "{output}");
        fs::remove_dir_all(folder.path().join("out")).unwrap();
    }
}

#[test]
fn help_fits_80_columns() {
    let folder = tempfile::tempdir().unwrap();
    for arguments in [["unpack", "--help"], ["unpack", "-h"]] {
        let (status, output, errors) = said(&arguments, folder.path());
        assert_eq!((status, errors.as_str()), (0, ""));
        assert!(output.contains("Usage: tickseam unpack") && widest(&output) <= 80, "{output}");
    }
}

/// A simulated minute of two streams, written as a phone would have logged it, comes back column for column.
#[test]
fn a_simulated_recording_goes_through_a_log_and_comes_back() {
    let scenario = "duration_s = 60\n[host]\nloss = 0.02\nduplicates = 0.01\n\
        [[stream]]\nname = \"scalp\"\n[[stream]]\nname = \"optical\"\nrate_hz = 64.0\nsamples_per_packet = 8\nstart_ms = 50.0\n";
    let session = simulate(&Scenario::from_toml(scenario).unwrap(), 3).unwrap();
    let mut recording = simulated::recording(&session).unwrap();
    // A log has microseconds.
    recording.packets = recording
        .packets
        .iter()
        .map(|packet| tickseam_record::Packet { host_ns: packet.host_ns.div_euclid(1000) * 1000, ..packet })
        .collect();
    let mut log = b"btsnoop\0\0\0\0\x01\0\0\x03\xea".to_vec();
    for packet in recording.packets.iter() {
        // Attribute packet in an L2CAP packet in a data packet: Bluetooth Core Specification, as in `capture/hci.rs`.
        let mut value = vec![0x1b, 0x20 + packet.stream, 0];
        value.extend(packet.sequence.to_le_bytes());
        value.extend(packet.tick.unwrap().to_le_bytes());
        value.extend(packet.samples.to_le_bytes());
        let mut data = vec![2, 0x40, 0x20, value.len() as u8 + 4, 0, value.len() as u8, 0, 4, 0];
        data.extend(value);
        let stamp_us = packet.host_ns / 1000 + 0x00e0_3ab4_4a67_6000 - 946_684_800_000_000;
        for word in [data.len() as u32, data.len() as u32, 1, 0] {
            log.extend(word.to_be_bytes());
        }
        log.extend(stamp_us.to_be_bytes());
        log.extend(data);
    }
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("log"), log).unwrap();
    let mut layout =
        format!("format = 1\n{}", recording.description.to_toml().unwrap().replacen("format = 1\n", "", 1));
    for (place, stream) in recording.description.streams.iter().enumerate() {
        let packet = format!(
            "[stream.packet]\nhandle = {}\nsequence = {{ at = 0, bits = 32 }}\ntick = {{ at = 4, bits = 64 }}\ncount = {{ at = 12, bits = 16 }}\n",
            0x20 + place
        );
        let bits = format!("sequence_bits = {}\n", stream.sequence_bits);
        let at = layout.find(&format!("name = \"{}\"", stream.name)).unwrap();
        let end = at + layout[at..].find(&bits).unwrap() + bits.len();
        layout.insert_str(end, &packet);
    }
    fs::write(folder.path().join("layout.toml"), &layout).unwrap();
    let (status, output, errors) =
        said(&["unpack", "log", "--layout", "layout.toml", "--out", "out"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""), "{output}\n{layout}");
    assert!(!output.contains("Doubt"), "{output}");
    let again = read(&folder.path().join("out")).unwrap();
    assert!(again.packets.len() > 3_000, "{}", again.packets.len());
    assert_eq!(again.packets, recording.packets);
    assert_eq!(again.description.streams, recording.description.streams);
    assert_eq!(again.description.host_clock.resolution_ns, 1000.0);
    assert_eq!(again.description.link, recording.description.link);
    assert_eq!(again.description.event_latency, recording.description.event_latency);
}
