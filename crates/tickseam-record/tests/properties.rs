//! Properties of the reader, with an independent CSV reader beside it, and its speed.

use std::fs;
use std::time::Instant;

use proptest::prelude::*;
use tickseam_record::{
    Description, DeviceClock, Event, HostClock, Link, Packet, Packets, Recording, Stream, read,
    write_recording,
};

fn recording(packets: Packets<'static>, events: Vec<Event>) -> Recording {
    let stream = |name: &str, sequence_bits| Stream {
        name: name.to_owned(),
        rate_hz: 250.0,
        samples_per_packet: 10,
        sequence_bits,
    };
    Recording {
        description: Description {
            device_clock: DeviceClock { tick_hz: Some(32_768.0), tick_bits: Some(64), tolerance_ppm: 50.0 },
            host_clock: HostClock::default(),
            link: Link::default(),
            streams: vec![stream("eeg", 32), stream("eeg2", 32), stream("ee, \"g\"", 32)],
            event_latency: [].into(),
        },
        packets,
        events,
        exchanges: Vec::new(),
        markers: Vec::new(),
        truth: None,
        notes: Vec::new(),
    }
}

fn any_packet() -> impl Strategy<Value = Packet> {
    (any::<i64>(), 0_u8..3, any::<u32>(), any::<Option<u64>>(), 1_u16..).prop_map(
        |(host_ns, stream, sequence, tick, samples)| Packet { host_ns, stream, sequence, tick, samples },
    )
}

fn any_event() -> impl Strategy<Value = Event> {
    let label = prop_oneof![any::<String>(), "[\",\r\n a\u{e9}]{0,8}"];
    (any::<i64>(), label, proptest::option::of(0.0..1e9)).prop_map(|(host_ns, label, duration_ms)| Event {
        host_ns,
        label: label.replace('\0', ""),
        duration_ms,
    })
}

proptest! {
    #[test]
    fn any_recording_survives_writing_and_reading(
        packets in prop::collection::vec(any_packet(), 0..200),
        events in prop::collection::vec(any_event(), 0..50),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let written = recording(packets.into_iter().collect(), events);
        write_recording(folder.path(), &written).unwrap();
        prop_assert_eq!(read(folder.path()).unwrap(), written);
    }

    /// The quick and the thorough way through a row agree: quoting every field forces the thorough one.
    #[test]
    fn quotes_change_nothing(
        packets in prop::collection::vec(any_packet(), 0..50),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let written = recording(packets.into_iter().collect(), Vec::new());
        write_recording(folder.path(), &written).unwrap();
        let path = folder.path().join("packets.csv");
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(&path).unwrap();
        let mut writer = csv::WriterBuilder::new().quote_style(csv::QuoteStyle::Always).from_writer(Vec::new());
        for record in reader.records() {
            writer.write_record(&record.unwrap()).unwrap();
        }
        fs::write(&path, writer.into_inner().unwrap()).unwrap();
        prop_assert_eq!(read(folder.path()).unwrap(), written);
    }

    /// An independent reader finds the same text in what is written.
    #[test]
    fn events_read_the_same_by_an_independent_reader(events in prop::collection::vec(any_event(), 1..50)) {
        let folder = tempfile::tempdir().unwrap();
        write_recording(folder.path(), &recording(Packets::default(), events.clone())).unwrap();
        let mut reader = csv::Reader::from_path(folder.path().join("events.csv")).unwrap();
        let labels: Vec<String> = reader.records().map(|record| record.unwrap()[1].to_owned()).collect();
        let expected: Vec<String> = events.into_iter().map(|event| event.label).collect();
        prop_assert_eq!(labels, expected);
    }

    /// Whatever the bytes, the reader answers; and what it accepts it can write and read again.
    #[test]
    fn arbitrary_bytes_never_bring_the_reader_down(
        packets in prop::collection::vec(prop_oneof![Just(b','), Just(b'\n'), Just(b'"'), Just(b'1'), any::<u8>()], 0..300),
        events in "(host_ns,label\n)?([0-9]{1,3},[a\",\n]{0,4}\n){0,5}",
        description in "(format = 1\n)?(\\[+[a-z_]*\\]*\n|[a-z]+ = [\"0-9a]*\n){0,4}",
    ) {
        let folder = tempfile::tempdir().unwrap();
        write_recording(folder.path(), &recording(Packets::default(), Vec::new())).unwrap();
        let mut log = b"host_ns,stream,sequence,tick,samples\n".to_vec();
        log.extend_from_slice(&packets);
        fs::write(folder.path().join("packets.csv"), log).unwrap();
        fs::write(folder.path().join("events.csv"), events).unwrap();
        if let Ok(mut accepted) = read(folder.path()) {
            let again = tempfile::tempdir().unwrap();
            write_recording(again.path(), &accepted).unwrap();
            accepted.notes.clear();
            prop_assert_eq!(read(again.path()).unwrap(), accepted);
        }
        let _ = Description::from_toml(&description, &mut Vec::new());
    }
}

/// 8 hours of 50 packets a second. Run with `--release --ignored --nocapture`; it prints and does not judge, since a
/// machine's speed is no property of the code. What it reads is checked.
#[test]
#[ignore = "measures speed: run it in a release build"]
fn a_night_is_read_at_a_speed_that_suits_it() {
    let packets: Packets<'_> = (0..1_440_000_u32)
        .map(|index| Packet {
            host_ns: 1_760_000_000_000_000_000 + i64::from(index) * 20_000_000,
            stream: 0,
            sequence: index & 0xffff,
            tick: Some((u64::from(index) * 655) & 0xffff_ffff),
            samples: 5,
        })
        .collect();
    let folder = tempfile::tempdir().unwrap();
    let written = recording(packets, Vec::new());
    let start = Instant::now();
    write_recording(folder.path(), &written).unwrap();
    println!("written in {:.3} s", start.elapsed().as_secs_f64());
    let bytes = fs::metadata(folder.path().join("packets.csv")).unwrap().len();
    let mut best_s = f64::INFINITY;
    for _ in 0..5 {
        let start = Instant::now();
        let again = read(folder.path()).unwrap();
        best_s = best_s.min(start.elapsed().as_secs_f64());
        assert_eq!(again, written);
        assert!(again.packets.heap_bytes() < 40_000_000, "{} bytes", again.packets.heap_bytes());
    }
    println!(
        "read {} rows, {bytes} bytes in {best_s:.3} s: {:.0} rows/s",
        written.packets.len(),
        1.44e6 / best_s
    );
    let start = Instant::now();
    tickseam_record::hash_inputs(folder.path()).unwrap();
    println!("hashed in {:.3} s", start.elapsed().as_secs_f64());
}
