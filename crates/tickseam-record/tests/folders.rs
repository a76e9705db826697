//! Recording folders from outside: what is read back, and what is tolerated. What is refused, and in which words, stands in the catalogue
//! of bad input: `crates/tickseam-cli/tests/bad_input/catalogue/`.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use tickseam_record::{
    Description, DeviceClock, Event, EventLatency, Exchange, HostClock, Link, Marker, Packet, Recording,
    Stream, Truth, hash_inputs, read, write_recording,
};

const TOML: &str = r#"format = 1
[device_clock]
tick_hz = 32768.0
tick_bits = 32
[[stream]]
name = "eeg"
rate_hz = 250.0
samples_per_packet = 10
sequence_bits = 16
[[stream]]
name = "optical"
rate_hz = 50
samples_per_packet = 2
sequence_bits = 8
"#;

const HEADER: &str = "host_ns,stream,sequence,tick,samples\n";

fn folder(files: &[(&str, &[u8])]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, content) in files {
        fs::write(folder.path().join(name), content).unwrap();
    }
    folder
}

fn read_packets(content: impl AsRef<[u8]>) -> Result<Recording, String> {
    let folder = folder(&[("recording.toml", TOML.as_bytes()), ("packets.csv", content.as_ref())]);
    read(folder.path()).map_err(|error| error.to_string())
}

fn packet(host_ns: i64, stream: u8, sequence: u32, tick: u64, samples: u16) -> Packet {
    Packet { host_ns, stream, sequence, tick: Some(tick), samples }
}

fn notes(recording: &Recording) -> Vec<String> {
    recording.notes.iter().map(ToString::to_string).collect()
}

fn full_recording() -> Recording {
    let latency = EventLatency { latency_ms: -21.5, latency_u_ms: 1.5 };
    let label = "go, \"no\"\r\n–go\t\u{1F600}".to_owned();
    Recording {
        description: Description {
            device_clock: DeviceClock { tick_hz: Some(32768.5), tick_bits: Some(64), tolerance_ppm: 20.0 },
            host_clock: HostClock { resolution_ns: 976_562.5 },
            link: Link {
                fixed_delay_ms: Some(22.6),
                fixed_delay_u_ms: Some(0.1 + 0.2),
                connection_interval_ms: Some(15.0),
            },
            streams: vec![
                Stream {
                    name: "e,\"eg".to_owned(),
                    rate_hz: 250.0,
                    samples_per_packet: 5,
                    sequence_bits: 32,
                },
                Stream {
                    name: "optical".to_owned(),
                    rate_hz: 1.0 / 3.0,
                    samples_per_packet: 1,
                    sequence_bits: 8,
                },
            ],
            event_latency: [("a label, \"any\".text".to_owned(), latency)].into(),
        },
        packets: [
            Packet { host_ns: i64::MIN, stream: 1, sequence: 255, tick: None, samples: 65_535 },
            packet(i64::MAX, 0, u32::MAX, u64::MAX, 1),
            packet(-1, 0, 0, 0, 5),
        ]
        .into_iter()
        .collect(),
        events: vec![
            Event { host_ns: -1, label: label.clone(), duration_ms: Some(0.1) },
            Event { host_ns: 2, label: String::new(), duration_ms: None },
        ],
        exchanges: vec![Exchange {
            origin_ns: -4,
            receive_tick: u64::MAX,
            transmit_tick: 0,
            destination_ns: i64::MAX,
        }],
        markers: vec![Marker { host_ns: 1, tick: 2 }],
        truth: Some(vec![Truth { host_ns: -1, label, segment: 1, onset_s: -0.1 }]),
        notes: Vec::new(),
    }
}

#[test]
fn what_is_written_is_read_back_equal() {
    let folder = tempfile::tempdir().unwrap();
    let full = full_recording();
    write_recording(folder.path(), &full).unwrap();
    assert_eq!(read(folder.path()).unwrap(), full);

    let bare = Recording {
        description: Description {
            device_clock: DeviceClock::default(),
            host_clock: HostClock::default(),
            link: Link::default(),
            event_latency: [].into(),
            ..full.description.clone()
        },
        packets: std::iter::once(Packet { tick: None, ..packet(0, 0, 0, 0, 1) }).collect(),
        events: vec![],
        exchanges: vec![],
        markers: vec![],
        truth: None,
        notes: vec![],
    };
    let folder = tempfile::tempdir().unwrap();
    write_recording(folder.path(), &bare).unwrap();
    assert_eq!(read(folder.path()).unwrap(), bare);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);

    // Over an older recording: its tables would not belong to the new one.
    write_recording(folder.path(), &full).unwrap();
    fs::write(folder.path().join("events.parquet"), "old").unwrap();
    write_recording(folder.path(), &bare).unwrap();
    assert_eq!(read(folder.path()).unwrap(), bare);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[test]
fn a_recording_that_could_not_be_read_back_is_not_written() {
    type Spoil = fn(&mut Recording);
    let spoils: [(&str, Spoil); 9] = [
        ("packet 3 does not fit the description", |r| r.packets.push(packet(0, 2, 0, 0, 1))),
        ("packet 3 does not fit the description", |r| r.packets.push(packet(0, 1, 256, 0, 1))),
        ("packet 3 does not fit the description", |r| r.packets.push(packet(0, 1, 0, 0, 0))),
        ("the tick of a marker or exchange", |r| {
            r.description.device_clock.tick_bits = Some(32);
            r.packets = Default::default();
        }),
        ("found 0.0, expected a finite number above 0", |r| r.description.streams[0].rate_hz = 0.0),
        ("key \"stream.name\"", |r| r.description.streams[0].name = "a/b".to_owned()),
        ("a duration or a true onset is not finite", |r| r.events[0].duration_ms = Some(f64::NAN)),
        ("a duration or a true onset is not finite", |r| {
            r.truth.as_mut().unwrap()[0].onset_s = f64::INFINITY
        }),
        ("is too long or has a NUL byte", |r| r.events[0].label = "\"".repeat(40_000)),
    ];
    for (message, spoil) in spoils {
        let mut recording = full_recording();
        spoil(&mut recording);
        let parent = tempfile::tempdir().unwrap();
        let error = write_recording(&parent.path().join("out"), &recording).unwrap_err().to_string();
        assert!(error.starts_with("this recording cannot be written: "), "{error}");
        assert!(error.contains(message), "{error}");
        assert_eq!(fs::read_dir(parent.path()).unwrap().count(), 0);
    }
}

#[test]
fn the_longest_label_that_is_written_is_read() {
    let mut recording = full_recording();
    recording.events[0].label = "\"".repeat(32_000);
    let folder = tempfile::tempdir().unwrap();
    write_recording(folder.path(), &recording).unwrap();
    assert_eq!(read(folder.path()).unwrap(), recording);
}

#[test]
fn the_example_of_the_format_is_understood() {
    let text = r#"
format = 1

[device_clock]
tick_hz = 32768.0          # nominal rate of the counter that the device stamps with
tick_bits = 32             # the counter wraps at 2^tick_bits

[host_clock]

[link]
fixed_delay_ms = 22.6
fixed_delay_u_ms = 0.2
connection_interval_ms = 15.0
phy = "2M"

[[stream]]
name = "eeg"
rate_hz = 250
samples_per_packet = 5
sequence_bits = 16
unit = "V"

[event_latency.flash]
latency_ms = 21.0
latency_u_ms = 1.5

[site]
name = "north"
"#;
    let mut notes = Vec::new();
    let description = Description::from_toml(text, &mut notes).unwrap();
    let expected = Description {
        device_clock: DeviceClock { tick_hz: Some(32768.0), tick_bits: Some(32), tolerance_ppm: 100.0 },
        host_clock: HostClock { resolution_ns: 1.0 },
        link: Link {
            fixed_delay_ms: Some(22.6),
            fixed_delay_u_ms: Some(0.2),
            connection_interval_ms: Some(15.0),
        },
        streams: vec![Stream {
            name: "eeg".to_owned(),
            rate_hz: 250.0,
            samples_per_packet: 5,
            sequence_bits: 16,
        }],
        event_latency: [("flash".to_owned(), EventLatency { latency_ms: 21.0, latency_u_ms: 1.5 })].into(),
    };
    assert_eq!(description, expected);
    let notes: Vec<String> = notes.iter().map(ToString::to_string).collect();
    assert_eq!(
        notes,
        [
            "recording.toml line 14: the key \"link.phy\" is not known to this version and was passed over",
            "recording.toml line 21: the key \"stream.unit\" is not known to this version and was passed over",
            "recording.toml line 27: the key \"site\" is not known to this version and was passed over",
        ]
    );
}

#[test]
fn every_lawful_way_to_write_packets_reads_the_same() {
    let expected =
        [packet(-5, 0, 65_535, 4_294_967_295, 10), packet(1_700_000_000_000_000_000, 1, 255, 0, 2)];
    let plain = "host_ns,stream,sequence,tick,samples\n-5,eeg,65535,4294967295,10\n\
                 1700000000000000000,optical,255,0,2\n";
    let quoted = "\"host_ns\",stream,sequence,tick,samples\n\"-5\",\"eeg\",\"65535\",\"4294967295\",\"10\"\n\
                  1700000000000000000,optical,255,\"0\",2\n";
    let reordered = ",samples,remark,tick,sequence,stream,,host_ns,rssi_dBm\n\
                     0,10,,4294967295,65535,eeg,x,-5,-71\n\
                     1,2,\"a \"\"long\"\"\nremark, naïve\",0,255,optical,,1700000000000000000,\n";
    let zeros = "host_ns,stream,sequence,tick,samples\n-00000000000000000000005,eeg,65535,4294967295,0010\n\
                 1700000000000000000,optical,0255,00,2\n";
    for (name, text) in [
        ("plain", plain.to_owned()),
        ("carriage returns", plain.replace('\n', "\r\n")),
        ("byte order mark", format!("\u{feff}{plain}")),
        ("byte order mark before a quote", format!("\u{feff}{quoted}")),
        ("empty last line", format!("{plain}\n")),
        ("empty last lines", format!("{plain}\r\n\n")),
        ("quoted", quoted.to_owned()),
        ("quoted, carriage returns", quoted.replace('\n', "\r\n")),
        ("reordered, with unknown columns", reordered.to_owned()),
        ("leading zeros", zeros.to_owned()),
    ] {
        let recording = read_packets(&text).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(recording.packets.iter().collect::<Vec<_>>(), expected, "{name}");
        assert_eq!(notes(&recording), [""; 0], "{name}");
    }
    let extremes =
        read_packets(format!("{HEADER}-9223372036854775808,eeg,0,,1\n9223372036854775807,eeg,0,1,65535\n"))
            .unwrap();
    assert_eq!(extremes.packets.host_ns(), [i64::MIN, i64::MAX]);
    assert_eq!(extremes.packets.samples(), [1, 65_535]);
    assert_eq!((extremes.packets.tick(0), extremes.packets.tick(1)), (None, Some(1)));
}

#[test]
fn a_log_without_packets_is_a_recording() {
    for text in [HEADER, HEADER.trim_end()] {
        let recording = read_packets(text).unwrap();
        assert!(recording.packets.is_empty());
        assert_eq!(notes(&recording), [""; 0]);
    }
}

#[test]
fn a_torn_last_line_is_left_out_and_noted() {
    let whole = "host_ns,stream,sequence,tick,samples\n1,eeg,2,3,10\n";
    let left_out = "packets.csv line 3: the last line breaks off without a line end and was left out";
    for torn in [
        &b"1"[..],
        b"-",
        b"17,",
        b"17,ee",
        b"17,eeg",
        b"17,eeg,3",
        b"17,eeg,3,4",
        b"17,eeg,3,4,",
        b"17,eeg,3,4,1", // 10 samples cut to 1
        b"17,eeg,3,\"4",
        b"17,\xf0\x9f",
        b"17,eeg,3,4,\0\0\0\0",
        b"17,eeg,3,4,1017,eeg,4,5,10",
    ] {
        let recording = read_packets([whole.as_bytes(), torn].concat()).unwrap();
        assert_eq!(recording.packets.iter().collect::<Vec<_>>(), [packet(1, 0, 2, 3, 10)], "{torn:?}");
        assert_eq!(notes(&recording), [left_out], "{torn:?}");
    }
    for kept in ["17,eeg,3,4,10", "17,eeg,3,4,10\r", "17,eeg,3,4,7", "17,eeg,3,4,\"10\""] {
        let recording = read_packets(format!("{whole}{kept}")).unwrap();
        assert_eq!(recording.packets.len(), 2, "{kept:?}");
        assert_eq!(
            notes(&recording),
            [
                "packets.csv line 3: the last line has no line end; it is complete and was kept, but its last field may be \
              cut short"
            ]
        );
    }
}

#[test]
fn a_torn_last_line_of_a_short_table_is_left_out_and_noted() {
    let folder = folder(&[
        ("recording.toml", TOML.as_bytes()),
        ("packets.csv", HEADER.as_bytes()),
        ("events.csv", b"label,host_ns\nrare,5\n\"ra\n re\",6\nfreq"),
        ("markers.csv", b"tick,host_ns\n1,"),
        ("exchanges.csv", b"origin_ns,receive_tick,transmit_tick,destination_ns\n1,2,3,4"),
    ]);
    let recording = read(folder.path()).unwrap();
    assert_eq!(recording.events.len(), 2);
    assert_eq!(recording.events[1].label, "ra\n re");
    assert!(recording.markers.is_empty());
    assert_eq!(recording.exchanges.len(), 1);
    assert_eq!(
        notes(&recording),
        [
            "events.csv line 5: the last line breaks off without a line end and was left out",
            "exchanges.csv line 2: the last line has no line end; it is complete and was kept, but its last field may \
             be cut short",
            "markers.csv line 2: the last line breaks off without a line end and was left out",
        ]
    );
}

#[test]
fn a_quoted_line_end_does_not_shift_the_line_that_is_named() {
    let text = "host_ns,stream,sequence,tick,samples,remark\n1,eeg,1,2,10,\"two\nlines\"\n1,eeg,x,2,10,\n";
    assert_eq!(
        read_packets(text).unwrap_err(),
        "packets.csv line 4, column \"sequence\" (3): found \"x\", expected a whole number from 0 to 65535"
    );
}

#[test]
fn an_endless_line_is_refused_before_it_fills_the_memory() {
    let long = "found a row of more than 65536 bytes, expected a shorter one (is a quote left open?)";
    for (what, text) in [
        ("a row", format!("{HEADER}1,eeg,1,2,10\n{}", "1".repeat(1_000_000))),
        ("a row with an end", format!("{HEADER}1,eeg,1,2,10\n{}\n", "1".repeat(65_537))),
        ("an open quote", format!("{HEADER}1,eeg,1,2,10\n\"{}", "1,eeg,1,2,10\n".repeat(10_000))),
    ] {
        assert_eq!(read_packets(text).unwrap_err(), format!("packets.csv line 3: {long}"), "{what}");
    }
    let header = "x".repeat(300_000);
    assert_eq!(read_packets(header).unwrap_err(), format!("packets.csv line 1: {long}"));
    let longest = format!("{HEADER}1,eeg,1,{}2,10\n", "0".repeat(65_536 - 13));
    assert_eq!(read_packets(longest).unwrap().packets.tick(0), Some(2));
}

#[test]
fn ticks_without_a_described_counter_are_refused() {
    let toml =
        "format = 1\n[[stream]]\nname = \"eeg\"\nrate_hz = 250\nsamples_per_packet = 5\nsequence_bits = 16\n";
    let with = |files: &[(&str, &[u8])]| {
        let mut all: Vec<(&str, &[u8])> =
            vec![("recording.toml", toml.as_bytes()), ("packets.csv", HEADER.as_bytes())];
        all.extend_from_slice(files);
        let folder = folder(&all);
        read(folder.path()).map_err(|error| error.to_string())
    };
    let untouched = format!("{HEADER}1,eeg,2,,5\n");
    assert_eq!(with(&[("packets.csv", untouched.as_bytes())]).unwrap().packets.tick(0), None);
    let ticked = format!("{HEADER}1,eeg,2,,5\n1,eeg,2,3,5\n");
    assert_eq!(
        with(&[("packets.csv", ticked.as_bytes())]).unwrap_err(),
        "packets.csv line 3, column \"tick\" (4): found \"3\", expected an empty field, since recording.toml has no \
         tick_hz and tick_bits under [device_clock]"
    );
    let ask = "expected tick_hz and tick_bits under [device_clock] of recording.toml to go with it";
    assert_eq!(
        with(&[("markers.csv", b"host_ns,tick\n")]).unwrap_err(),
        format!("markers.csv line 1: found a table of ticks, {ask}")
    );
    assert_eq!(
        with(&[("exchanges.csv", b"origin_ns,receive_tick,transmit_tick,destination_ns\n")]).unwrap_err(),
        format!("exchanges.csv line 1: found a table of ticks, {ask}")
    );
}

#[test]
fn a_faulty_value_is_repeated_cut_and_large_descriptions_are_refused() {
    let long = format!("tick_hz = \"{}\"", "9".repeat(60));
    let text = TOML.replace("tick_hz = 32768.0", &long);
    let error = Description::from_toml(&text, &mut Vec::new()).unwrap_err();
    assert_eq!(error.found, format!("\"{}…", "9".repeat(39)));
    let text = TOML.replace("tick_hz = 32768.0", "tick_hz = 32_768");
    let grouped = Description::from_toml(&text, &mut Vec::new()).unwrap();
    assert_eq!(grouped.device_clock.tick_hz, Some(32768.0));
    let many: String = (0..256)
        .map(|n| {
            format!("[[stream]]\nname = \"s{n}\"\nrate_hz = 1\nsamples_per_packet = 1\nsequence_bits = 8\n")
        })
        .collect();
    let error = Description::from_toml(&format!("format = 1\n{many}"), &mut Vec::new()).unwrap_err();
    assert_eq!((error.found.as_str(), error.expected.as_str()), ("a list of 256", "at most 255 of them"));
    let folder = folder(&[("recording.toml", "#".repeat(2_000_000).as_bytes())]);
    assert_eq!(
        read(folder.path()).unwrap_err().to_string(),
        "recording.toml: found more than 1048576 bytes, expected a short text"
    );
}

#[test]
fn absent_files_and_wrong_kinds_are_named_by_path() {
    let empty = folder(&[]);
    let at = |path: &Path| path.display().to_string();
    let toml = empty.path().join("recording.toml");
    let packets = empty.path().join("packets.csv");
    let message = |path: &Path| read(path).unwrap_err().to_string();
    assert_eq!(
        message(empty.path()),
        format!("{}: found no such file, expected one in every recording folder", at(&toml))
    );
    fs::write(&toml, TOML).unwrap();
    assert_eq!(
        message(empty.path()),
        format!(
            "{}: found no such file, expected one in every recording folder, or packets.parquet",
            at(&packets)
        )
    );
    fs::create_dir(&packets).unwrap();
    assert_eq!(message(empty.path()), format!("{}: found no regular file, expected one", at(&packets)));
    assert_eq!(
        message(&toml),
        format!("{}: found something that is no folder, expected a recording folder", at(&toml))
    );
    let nowhere = empty.path().join("nowhere");
    assert_eq!(
        message(&nowhere),
        format!("{}: found no such folder, expected a recording folder", at(&nowhere))
    );
}

#[cfg(unix)]
#[test]
fn a_loop_of_links_is_an_error_and_not_an_absent_file() {
    let folder = folder(&[("recording.toml", TOML.as_bytes()), ("packets.csv", HEADER.as_bytes())]);
    let events = folder.path().join("events.csv");
    std::os::unix::fs::symlink("events.csv", &events).unwrap();
    let error = read(folder.path()).unwrap_err().to_string();
    assert!(error.starts_with(&format!("{}: cannot be read: ", events.display())), "{error}");
}

#[test]
fn inputs_are_hashed_as_the_standard_says() {
    // SHA-256 of "abc": FIPS 180-4 example (NIST, "SHA256.pdf" of the example values), one block.
    let folder = folder(&[("recording.toml", b"abc"), ("events.csv", b"")]);
    let inputs = hash_inputs(folder.path()).unwrap();
    assert_eq!(inputs.len(), 2);
    assert_eq!((inputs[0].file.as_str(), inputs[0].bytes), ("recording.toml", 3));
    assert_eq!(inputs[0].sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    assert_eq!((inputs[1].file.as_str(), inputs[1].bytes), ("events.csv", 0));
}
