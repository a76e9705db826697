//! Bluetooth logs, from outside: logs that other programs wrote, every refusal, and bytes that nobody meant.
//!
//! The logs in `tests/open_formats/captures` and what has to come out of them are made by `tests/open_formats/make_captures.py` with scapy,
//! editcap and NumPy.

use std::fs;
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use tempfile::TempDir;
use tickseam_record::capture::{
    CaptureError, Choice, IntervalSeen, Layout, LeftOut, Peer, Request, Survey, Unpacked, survey, unpack,
};
use tickseam_record::{Packet, Packets, read};

fn captures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/open_formats/captures")
}

fn unpack_into(log: &Path, layout: &str, peers: &[&str], out: &Path) -> Result<Unpacked, CaptureError> {
    let peers: Vec<Choice> = peers.iter().map(|peer| Choice::parse(peer).unwrap()).collect();
    let read = Layout::from_toml("layout.toml", layout, &mut Vec::new())?;
    let request = Request { log, layout: &read, layout_text: layout, peers: &peers, events: None };
    unpack(&request, out, &|_| ())
}

const HEADSET: &str = "C0:FF:EE:00:00:01";

/// Every log of another program gives the packets and, byte for byte, the NumPy files that were put in.
#[test]
fn logs_of_other_programs_give_what_was_put_in() {
    for (name, log, peers, streams, resolution_ns, interval_ms) in [
        ("phone", "phone.btsnoop", &[HEADSET][..], &["eeg", "motion"][..], 1000.0, Some(15.0)),
        ("desk", "desk.pcapng", &[], &["ecg", "light"], 1.0, Some(20.0)),
        ("wire", "wire.pcap", &[], &["eeg"], 1.0, Some(7.5)),
        ("monitor", "monitor.pcap", &[], &["eeg"], 1000.0, Some(40.0)),
    ] {
        let folder = captures().join(name);
        let out = tempfile::tempdir().unwrap();
        let layout = fs::read_to_string(folder.join("layout.toml")).unwrap();
        unpack_into(&folder.join(log), &layout, peers, out.path()).unwrap();
        for file in ["packets.csv", "layout.toml"]
            .map(str::to_owned)
            .into_iter()
            .chain(streams.iter().map(|s| format!("{s}.npy")))
        {
            let (made, expected) =
                (fs::read(out.path().join(&file)).unwrap(), fs::read(folder.join(&file)).unwrap());
            assert!(made == expected, "{name}: {file} differs");
        }
        let recording = read(out.path()).unwrap();
        assert_eq!(recording.notes, [], "{name}");
        assert_eq!(recording.description.host_clock.resolution_ns, resolution_ns, "{name}");
        assert_eq!(recording.description.link.connection_interval_ms, interval_ms, "{name}");
    }
}

#[test]
fn a_survey_tells_device_handle_direction_and_count() {
    let seen = survey(&captures().join("phone/phone.btsnoop")).unwrap();
    let listed: Vec<_> = seen
        .characteristics
        .iter()
        .map(|seen| (seen.peer.to_string(), seen.handle, seen.received, seen.notifications, seen.indications))
        .collect();
    let second = "C0:FF:EE:00:00:02";
    assert_eq!(
        listed,
        [
            (HEADSET.to_owned(), 0x12, false, 9, 0),
            (HEADSET.to_owned(), 0x12, true, 60, 0),
            (HEADSET.to_owned(), 0x15, true, 6, 15),
            (second.to_owned(), 0x12, true, 9, 0),
        ]
    );
    assert_eq!(seen.characteristics[1].connections.iter().copied().collect::<Vec<_>>(), [0x40, 0x43]);
    assert_eq!(seen.pass.connections_made, 3);
    // The counters that the layout names are found without it.
    let guess = &seen.characteristics[1].guess;
    let sequence = guess.sequence().unwrap();
    assert_eq!((sequence.field.bit, sequence.field.bits), (0, 16));
    let tick = guess.tick().unwrap();
    assert_eq!((tick.field.bit, tick.field.bits), (16, 32));
    assert!((tick.per_s / 32_750.0 - 1.0).abs() < 0.01, "{}", tick.per_s);
}

#[test]
fn several_devices_that_fit_are_listed_and_one_is_asked_for() {
    let folder = captures().join("phone");
    let layout = fs::read_to_string(folder.join("layout.toml")).unwrap();
    let out = tempfile::tempdir().unwrap();
    let target = out.path().join("out");
    let log = folder.join("phone.btsnoop");
    let error = unpack_into(&log, &layout, &[], &target).unwrap_err();
    assert!(matches!(error, CaptureError::Choice { .. }));
    let said = error.to_string();
    assert!(said.contains("C0:FF:EE:00:00:01 (81 values), C0:FF:EE:00:00:02 (9 values)"), "{said}");
    let error = unpack_into(&log, &layout, &["C0:FF:EE:00:00:09"], &target).unwrap_err();
    assert!(error.to_string().contains("--peer number 1"), "{error}");
    assert!(!target.exists());
    // Both at once are one device under two addresses; the other one's values have another length.
    let both = unpack_into(&log, &layout, &["c0:ff:ee:00:00:02", HEADSET], &target).unwrap();
    assert_eq!((both.peers.len(), both.recording.packets.len()), (2, 75));
    assert_eq!(both.others.into_iter().collect::<Vec<_>>(), [(2, 6), (10, 9)]);
}

// A writer of logs for the tests below. Layouts of the containers as in their descriptions, named in `capture/container.rs`.

const UNIX_1970_US: u64 = 0x00E0_3AB4_4A67_6000 - 946_684_800_000_000;

fn snoop(kind: u32) -> Vec<u8> {
    let mut log = b"btsnoop\0\0\0\0\x01".to_vec();
    log.extend(kind.to_be_bytes());
    log
}

fn snoop_record(log: &mut Vec<u8>, us: u64, flags: u32, drops: u32, data: &[u8], original: usize) {
    for word in [original as u32, data.len() as u32, flags, drops] {
        log.extend(word.to_be_bytes());
    }
    log.extend(UNIX_1970_US.wrapping_add(us).to_be_bytes());
    log.extend(data);
}

fn received(log: &mut Vec<u8>, us: u64, data: &[u8]) {
    snoop_record(log, us, 1, 0, data, data.len());
}

/// An H4 data packet with this fragment.
fn data(handle: u16, boundary: u16, fragment: &[u8]) -> Vec<u8> {
    let mut packet = vec![2];
    packet.extend((handle | boundary << 12).to_le_bytes());
    packet.extend((fragment.len() as u16).to_le_bytes());
    packet.extend(fragment);
    packet
}

/// The L2CAP packet of a notification.
fn notify(attribute: u16, value: &[u8]) -> Vec<u8> {
    let mut packet = (value.len() as u16 + 3).to_le_bytes().to_vec();
    packet.extend([4, 0, 0x1b]);
    packet.extend(attribute.to_le_bytes());
    packet.extend(value);
    packet
}

fn pcapng_block(log: &mut Vec<u8>, big: bool, kind: u32, body: &[u8]) {
    let word = |word: u32| if big { word.to_be_bytes() } else { word.to_le_bytes() };
    let length = 12 + body.len().next_multiple_of(4) as u32;
    log.extend(word(kind));
    log.extend(word(length));
    log.extend(body);
    log.resize(log.len().next_multiple_of(4), 0);
    log.extend(word(length));
}

fn pcapng(big: bool, link_type: u16, options: &[u8]) -> Vec<u8> {
    let mut log = Vec::new();
    let (magic, version) = if big {
        (0x1a2b_3c4d_u32.to_be_bytes(), [0, 1, 0, 0])
    } else {
        (0x1a2b_3c4d_u32.to_le_bytes(), [1, 0, 0, 0])
    };
    let section: Vec<u8> = magic.into_iter().chain(version).chain([0xff; 8]).collect();
    pcapng_block(&mut log, big, 0x0a0d_0d0a, &section);
    let half = if big { link_type.to_be_bytes() } else { link_type.to_le_bytes() };
    let interface: Vec<u8> = half.into_iter().chain([0; 6]).chain(options.iter().copied()).collect();
    pcapng_block(&mut log, big, 1, &interface);
    log
}

fn pcapng_packet(log: &mut Vec<u8>, big: bool, interface: u32, stamp: u64, data: &[u8], options: &[u8]) {
    let word = |word: u32| if big { word.to_be_bytes() } else { word.to_le_bytes() };
    let mut body = Vec::new();
    for number in [interface, (stamp >> 32) as u32, stamp as u32, data.len() as u32, data.len() as u32] {
        body.extend(word(number));
    }
    body.extend(data);
    body.resize(body.len().next_multiple_of(4), 0);
    body.extend(options);
    pcapng_block(log, big, 6, &body);
}

struct Bench(TempDir);

impl Bench {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn log(&self, bytes: &[u8]) -> PathBuf {
        let path = self.0.path().join("a.log");
        fs::write(&path, bytes).unwrap();
        path
    }

    fn survey(&self, bytes: &[u8]) -> Result<Survey, CaptureError> {
        survey(&self.log(bytes))
    }

    /// What is said of a log that is refused, its path cut to its name.
    fn refusal(&self, bytes: &[u8], layout: Option<&str>) -> String {
        let log = self.log(bytes);
        let out = self.0.path().join("out");
        let error = match layout {
            None => survey(&log).unwrap_err(),
            Some(layout) => unpack_into(&log, layout, &[], &out).unwrap_err(),
        };
        assert!(!out.exists());
        error.to_string().replace(&format!("{}/", self.0.path().display()), "")
    }

    fn unpack(&self, bytes: &[u8], layout: &str) -> Unpacked {
        let out = tempfile::tempdir_in(self.0.path()).unwrap();
        unpack_into(&self.log(bytes), layout, &[], out.path()).unwrap()
    }
}

/// One byte of sequence number and two samples of 16 bits.
const SMALL: &str = "format = 1\n[[stream]]\nname = \"eeg\"\nrate_hz = 100.0\nsamples_per_packet = 2\nsequence_bits = 8\n\
                     [stream.packet]\nhandle = 7\nsequence = { at = 0 }\n[stream.packet.samples]\nat = 1\nbits = 16\nkind = \"signed\"\n";

#[test]
fn what_is_no_log_is_refused_with_its_place() {
    let bench = Bench::new();
    let any = "a btsnoop, pcap or pcapng log";
    let mut version = snoop(1002);
    version[11] = 2;
    let mut tail = pcapng(false, 201, &[]);
    tail.extend([9; 12]);
    let pcap = |link_type: u8, major: u8| {
        let mut log = vec![0xd4, 0xc3, 0xb2, 0xa1, major, 0, 4, 0];
        log.extend([0; 12]);
        log.extend([link_type, 0, 0, 0]);
        log
    };
    let mut fraction = pcap(187, 2);
    fraction.extend([0, 0, 0, 0, 0x40, 0x42, 0x0f, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    let mut magic = pcapng(false, 201, &[]);
    magic[8] = 0;
    let mut minor = pcapng(false, 201, &[]);
    minor[12] = 7;
    let mut behind = pcapng(false, 201, &[]);
    behind[24] = 32;
    let mut unknown = pcapng(false, 201, &[]);
    pcapng_packet(&mut unknown, false, 1, 0, &[0], &[]);
    let mut other = pcapng(false, 1, &[]);
    pcapng_packet(&mut other, false, 0, 0, &[0; 60], &[]);
    let mut sniffer = pcapng(false, 256, &[]);
    pcapng_packet(&mut sniffer, false, 0, 0, &[0; 60], &[]);
    let mut option = pcapng(false, 201, &[]);
    pcapng_packet(&mut option, false, 0, 0, &[0; 4], &[2, 0, 200, 0]);
    let mut roomy = pcapng(false, 201, &[]);
    pcapng_packet(&mut roomy, false, 0, 0, &[0; 4], &[]);
    let at = roomy.len() - 16;
    roomy[at] = 99;
    let mut late = pcapng(false, 201, &[9, 0, 1, 0, 0, 0, 0, 0]);
    pcapng_packet(&mut late, false, 0, u64::MAX, &[0; 4], &[]);
    let mut early = snoop(1002);
    snoop_record(&mut early, 0, 1, 0, &[0], 1);
    early[32..40].fill(0);
    let mut long = snoop(1002);
    snoop_record(&mut long, 0, 1, 0, &[0], 1);
    long[20] = 0x7f;
    let mut more = snoop(1002);
    snoop_record(&mut more, 0, 1, 0, &[0, 0], 1);
    for (bytes, said) in [
        (Vec::new(), format!("a.log byte 0: found 0 bytes in all, expected {any}")),
        (b"PK\x03\x04".to_vec(), format!("a.log byte 0: found a zip archive, expected {any}: take it out first")),
        (b"\x1f\x8b\x08\0".to_vec(), format!("a.log byte 0: found a file compressed by gzip, expected {any}: unpack it first")),
        (b"host_ns,".to_vec(), format!("a.log byte 0: found a file that begins with 686f7374, expected {any}")),
        (b"btsnoop".to_vec(), "a.log byte 0: found 7 bytes in all, expected a btsnoop header of 16 bytes".to_owned()),
        (b"btsnooze\0\0\0\x01\0\0\0\0".to_vec(), "a.log byte 0: found \"btsnooze\", expected \"btsnoop\\0\"".to_owned()),
        (version, "a.log byte 8: found version 2, expected version 1".to_owned()),
        (snoop(1004), "a.log byte 12: found records of the kind 1004, expected HCI packets: kind 1001, 1002 or 2001".to_owned()),
        (snoop(1002), "a.log: found no record, expected packets in it".to_owned()),
        (early, "a.log byte 32: found a stamp of -62168256000 s of Unix time, expected one of the years 1678 to 2262".to_owned()),
        (long, "a.log byte 20: found a record of 2130706433 bytes, expected at most 262144, which no HCI packet reaches".to_owned()),
        (more, "a.log byte 20: found 2 bytes kept of a packet of 1, expected no more than it had".to_owned()),
        (pcap(187, 2)[..20].to_vec(), "a.log byte 0: found 20 bytes in all, expected a pcap header of 24 bytes".to_owned()),
        (pcap(187, 3), "a.log byte 4: found version 3, expected version 2".to_owned()),
        (pcap(1, 2), "a.log byte 20: found link type 1, expected HCI packets: link type 187, 201 or 254".to_owned()),
        (
            pcap(251, 2),
            "a.log byte 20: found link type 251, what a sniffer heard on the air: it carries the sniffer's clock, not the phone's, \
             and counts repetitions as packets, expected HCI packets: link type 187, 201 or 254"
                .to_owned(),
        ),
        (fraction, "a.log byte 28: found 1000000 as a part of a second, expected less than 1000000".to_owned()),
        (magic, "a.log byte 8: found 003c2b1a, expected 1a2b3c4d in either order of its bytes".to_owned()),
        (minor, "a.log byte 12: found version 7, expected version 1".to_owned()),
        (behind, "a.log byte 24: found a length of 32 behind a block, expected 28 as in front of it".to_owned()),
        (tail, "a.log byte 52: found a block of 151587081 bytes, expected a multiple of 4, at least 12".to_owned()),
        (unknown, "a.log byte 56: found a packet of interface 1, expected one of the 1 that were described before".to_owned()),
        (other, "a.log: found link type 1, expected HCI packets: link type 187, 201 or 254".to_owned()),
        (
            sniffer,
            "a.log: found link type 256, what a sniffer heard on the air: it carries the sniffer's clock, not the phone's, and counts \
             repetitions as packets, expected HCI packets: link type 187, 201 or 254"
                .to_owned(),
        ),
        (option, "a.log byte 80: found an option of 200 bytes where 0 are left, expected one that ends within its block".to_owned()),
        (roomy, "a.log byte 68: found a packet of 99 bytes in a block with room for 4, expected one that ends within its block".to_owned()),
        (late, "a.log byte 68: found a stamp of 18446744073709551615 s of Unix time, expected one of the years 1678 to 2262".to_owned()),
        (pcapng(false, 201, &[9, 0, 1, 0, 31, 0, 0, 0]), "a.log byte 48: found stamps of resolution [1f], expected one octet: a power of ten up to 30, or of two".to_owned()),
    ] {
        assert_eq!(bench.refusal(&bytes, None), said);
    }
    let said = bench.refusal(&[], None);
    assert_eq!(said, format!("a.log byte 0: found 0 bytes in all, expected {any}"));
    let absent = survey(&bench.0.path().join("absent")).unwrap_err().to_string();
    assert!(absent.contains("absent: found no such file, expected a log"), "{absent}");
    let folder = survey(bench.0.path()).unwrap_err().to_string();
    assert!(folder.ends_with("found no regular file, expected a log"), "{folder}");
}

#[test]
fn packets_that_contradict_themselves_are_refused_with_their_place() {
    let bench = Bench::new();
    for (packet, said) in [
        (&[][..], "a record of 0 bytes, expected at least the indicator octet"),
        (&[2, 1, 0x20, 1], "a data packet of 3 bytes, expected at least 4"),
        (
            &[2, 1, 0x20, 9, 0, 1],
            "a data packet of 9 bytes with 1 behind its header, expected as many as it says",
        ),
        (&[4, 0x3e], "an event of 1 bytes, expected at least 2"),
        (&[4, 0x3e, 4, 1], "an event of 4 bytes with 1 behind its header, expected as many as it says"),
    ] {
        let mut log = snoop(1002);
        received(&mut log, 0, &[3, 9, 9]);
        received(&mut log, 0, packet);
        assert_eq!(bench.refusal(&log, None), format!("a.log byte 43: found {said}"));
    }
}

#[test]
fn values_that_do_not_hold_what_the_layout_reads_are_refused_with_their_place() {
    let bench = Bench::new();
    let log = |value: &[u8]| {
        let mut log = snoop(1002);
        received(&mut log, 0, &data(1, 2, &notify(7, &[0, 0, 0, 0, 0])));
        received(&mut log, 0, &data(1, 2, &notify(7, value)));
        log
    };
    // A header of 16 bytes, a record of 24 + 17.
    let with = |text: &str| SMALL.replace("handle = 7\n", &format!("handle = 7\n{text}"));
    let wide = SMALL.replace("{ at = 0 }", "{ at = 0, bits = 16 }");
    for (layout, value, said) in [
        (SMALL, &[][..], "a value of 0 bytes, expected at least 1 for sequence"),
        (SMALL, &[1, 2, 3, 4], "a value of 4 bytes, expected at least 5 for 2 samples"),
        (
            &wide,
            &[0, 1, 0, 0, 0],
            "256 as sequence of \"eeg\", expected at most 255 by the width of the counter",
        ),
        (
            &with("count = { at = 4, bits = 8 }\n").replace("at = 4, bits", "at = 3, bits"),
            &[0; 3],
            "a value of 3 bytes, expected at least 4 for count",
        ),
        (
            &with("count = \"rest\"\n"),
            &[0; 4],
            "a value of 4 bytes, expected samples of 16 bits each from byte 1 to the end",
        ),
        (
            &with("count = \"rest\"\n"),
            &[0; 2],
            "a value of 2 bytes, expected samples of 16 bits each from byte 1 to the end",
        ),
    ] {
        let mut log = log(value);
        if layout.contains("count = {") {
            // The first value has to say that it has a sample.
            log[16 + 24 + 12 + 3] = 1;
        }
        assert_eq!(bench.refusal(&log, Some(layout)), format!("a.log byte 57: found {said}"));
    }
    let nought = with("count = { at = 3, bits = 8 }\n");
    assert_eq!(
        bench.refusal(&log(&[0; 5]), Some(&nought)),
        "a.log byte 16: found 0 as the count of samples of \"eeg\", expected 1 to 65535"
    );
    assert_eq!(
        bench.refusal(&log(&[0; 5]), Some(&SMALL.replace("handle = 7", "handle = 8"))),
        "a.log: found no value of the handle 0x0008, expected notifications or indications received (without --layout the log is listed)"
    );
    assert_eq!(
        bench.refusal(&log(&[0; 9]), Some(&with("bytes = 6\n"))),
        "a.log: found values of other lengths or kinds only: 1 of 5 bytes, 1 of 9 bytes, expected some that `bytes` and `when` of the \
         layout let through"
    );
    let mut sent = snoop(1002);
    let packet = data(1, 0, &notify(7, &[0; 5]));
    snoop_record(&mut sent, 0, 0, 0, &packet, packet.len());
    assert_eq!(
        bench.refusal(&sent, Some(SMALL)),
        "a.log: found values of the handle 0x0007 only as sent by this host, expected notifications or indications received (without \
         --layout the log is listed)"
    );
    let mut none = snoop(1002);
    received(&mut none, 0, &[3]);
    assert_eq!(
        bench.refusal(&none, Some(SMALL)),
        "a.log: found no notification and no indication at all, expected notifications or indications received (without --layout the log \
         is listed)"
    );
}

#[test]
fn layouts_that_cannot_be_are_refused_with_line_and_key() {
    let said = |layout: &str| Layout::from_toml("l.toml", layout, &mut Vec::new()).unwrap_err().to_string();
    let packet = |from: &str, to: &str| said(&SMALL.replace(from, to));
    for (found, expected) in [
        (said(""), "l.toml line 1, character 1, key \"format\": found no such key, expected 1, the version"),
        (
            packet(
                "[stream.packet]\nhandle = 7\nsequence = { at = 0 }\n[stream.packet.samples]\nat = 1\nbits = 16\nkind = \"signed\"\n",
                "",
            ),
            "l.toml line 2, character 1, key \"stream.packet\": found no such key, expected a table that says",
        ),
        (
            packet("handle = 7", "handle = 0"),
            "l.toml line 8, character 10, key \"stream.packet.handle\": found 0, expected an attribute handle, 1 to 65535",
        ),
        (
            packet("handle = 7", "handle = 7\nbytes = 4"),
            "l.toml line 9, character 9, key \"stream.packet.bytes\": found 4, expected at least 5, which",
        ),
        (
            packet("{ at = 0 }", "{ at = 0, bits = 7 }"),
            "l.toml line 9, character 29, key \"stream.packet.sequence.bits\": found 7, expected at least sequence_bits, 8",
        ),
        (
            packet("{ at = 0 }", "{ bits = 8 }"),
            "key \"stream.packet.sequence.at\": found no such key, expected a byte of the value",
        ),
        (
            packet("{ at = 0 }", "{ at = 0, bit = 8 }"),
            "key \"stream.packet.sequence.bit\": found 8, expected a bit of that byte, 0 to 7",
        ),
        (
            packet("{ at = 0 }", "{ at = 0, order = \"middle\" }"),
            "key \"stream.packet.sequence.order\": found \"middle\", expected \"little\" or \"big\"",
        ),
        (packet("{ at = 0 }", "0"), "key \"stream.packet.sequence\": found 0, expected a table"),
        (
            packet("sequence = { at = 0 }\n", ""),
            "key \"stream.packet.sequence\": found no such key, expected where the sequence number stands",
        ),
        (
            packet("handle = 7", "handle = 7\ntick = { at = 1 }"),
            "key \"stream.packet.tick\": found a table, expected tick_hz and tick_bits under [device_clock]",
        ),
        (
            packet("handle = 7", "handle = 7\ncount = \"all\""),
            "key \"stream.packet.count\": found \"all\", expected \"rest\", or where",
        ),
        (
            packet("handle = 7", "handle = 7\ncount = { at = 0, bits = 17 }"),
            "key \"stream.packet.count.bits\": found 17, expected a width in bits, 1 to 16",
        ),
        (
            packet("handle = 7", "handle = 7\nwhen = { at = 0, bits = 4, is = 16 }"),
            "key \"stream.packet.when.is\": found 16, expected a whole number from 0 to 15",
        ),
        (
            packet("bits = 16", "bits = 33"),
            "key \"stream.packet.samples.bits\": found 33, expected a width in bits, 1 to 32",
        ),
        (
            packet("\"signed\"", "\"float\""),
            "key \"stream.packet.samples.bits\": found 16, expected 32, the width of the floats",
        ),
        (
            packet("\"signed\"", "\"s16\""),
            "key \"stream.packet.samples.kind\": found \"s16\", expected \"signed\" or \"unsigned\" or \"float\"",
        ),
        (
            packet("kind = \"signed\"", "kind = \"signed\"\nchannels = 0"),
            "key \"stream.packet.samples.channels\": found 0, expected a whole number from 1 to 4096",
        ),
        (
            packet("kind = \"signed\"", "kind = \"signed\"\nscale = 0"),
            "key \"stream.packet.samples.scale\": found 0, expected a finite number other than 0",
        ),
        (
            packet("kind = \"signed\"", "kind = \"signed\"\nzero = 0.5"),
            "key \"stream.packet.samples.zero\": found 0.5, expected a whole number",
        ),
        (
            packet("kind = \"signed\"", "kind = \"signed\"\nunit = 3"),
            "key \"stream.packet.samples.unit\": found 3, expected a text",
        ),
        (packet("rate_hz = 100.0", "rate_hz = ?"), "l.toml line 4, character 11: found text that is no TOML"),
    ] {
        assert!(found.contains(expected), "{found}\n{expected}");
    }
    let mut notes = Vec::new();
    Layout::from_toml("l.toml", &SMALL.replace("handle = 7", "handle = 7\ncolour = 1"), &mut notes).unwrap();
    let notes: Vec<String> = notes.iter().map(ToString::to_string).collect();
    assert_eq!(
        notes,
        ["l.toml line 9: the key \"stream.packet.colour\" is not known to this version and was passed over"]
    );
}

/// The example in the documentation is a layout, and its numbers are the ones that it says.
#[test]
fn the_documented_example_is_read() {
    let source = include_str!("../src/capture/layout.rs");
    let example: String = source
        .lines()
        .skip_while(|line| !line.starts_with("//! ```toml"))
        .skip(1)
        .take_while(|line| !line.starts_with("//! ```"))
        .map(|line| line.trim_start_matches("//!").trim_start().to_owned() + "\n")
        .collect();
    let mut notes = Vec::new();
    let layout = Layout::from_toml("example", &example, &mut notes).unwrap();
    assert_eq!((layout.packets[0].handle, notes), (0x12, Vec::new()));
    assert!(layout.packets[0].tick.is_some() && layout.packets[0].samples.is_some());
}

fn out(count: u64, first_byte: u64) -> LeftOut {
    LeftOut { count, first_byte }
}

#[test]
fn what_is_missing_in_a_log_is_counted_and_nothing_is_pieced_together_wrongly() {
    let bench = Bench::new();
    let whole = |number: u8| notify(7, &[number, 1, 0, 2, 0]);
    let mut log = snoop(1002);
    let mut places = Vec::new();
    let mut put = |log: &mut Vec<u8>, flags: u32, drops: u32, packet: &[u8], original: usize| {
        places.push(log.len() as u64);
        snoop_record(log, 1_000 * places.len() as u64, flags, drops, packet, original);
    };
    let piece =
        |boundary, number: u8, range: std::ops::Range<usize>| data(1, boundary, &whole(number)[range]);
    // 0: goes on where nothing began. 1 and 2: whole, in two pieces.
    put(&mut log, 1, 0, &piece(1, 9, 6..12), 11);
    put(&mut log, 1, 0, &piece(2, 1, 0..6), 11);
    put(&mut log, 1, 0, &piece(1, 1, 6..12), 11);
    // 3: begins; 4: begins anew, and is whole.
    put(&mut log, 1, 0, &piece(2, 2, 0..6), 11);
    put(&mut log, 1, 0, &piece(2, 3, 0..12), 17);
    // 5: begins; 6: its end was cut short by the writer; 7: has nothing to go on from.
    put(&mut log, 1, 0, &piece(2, 4, 0..6), 11);
    put(&mut log, 1, 0, &piece(1, 4, 6..12)[..8], 11);
    put(&mut log, 1, 0, &piece(1, 4, 6..12), 11);
    // 8: begins; 9: goes on after a loss of which the log tells, maybe of another packet.
    put(&mut log, 1, 0, &piece(2, 5, 0..6), 11);
    put(&mut log, 1, 2, &piece(1, 5, 6..12), 11);
    // 10 and 11: more than it said. 12: several values, the last one longer than the packet.
    put(&mut log, 1, 2, &piece(2, 6, 0..10), 15);
    put(&mut log, 1, 2, &piece(1, 6, 6..12), 11);
    let several = [13, 0, 4, 0, 0x23, 7, 0, 5, 0, 10, 1, 0, 2, 0, 7, 0, 9];
    put(&mut log, 1, 2, &data(1, 2, &several), 22);
    // 13: begins; 14: the connection ends. 15: goes on.
    put(&mut log, 1, 2, &piece(2, 7, 0..6), 11);
    put(&mut log, 1, 2, &[4, 5, 4, 0, 1, 0, 8], 7);
    put(&mut log, 1, 2, &piece(1, 7, 6..12), 11);
    // 16: begins, and the log ends.
    put(&mut log, 1, 2, &piece(2, 8, 0..6), 11);
    let end = log.len() as u64;
    let done = bench.unpack(&log, SMALL);
    let sequence: Vec<u32> = done.recording.packets.iter().map(|packet| packet.sequence).collect();
    assert_eq!(sequence, [1, 3, 10]);
    let gaps = done.survey.pass.gaps;
    assert_eq!(gaps.headless, out(4, places[0]));
    assert_eq!(gaps.incomplete, out(5, places[4]));
    assert_eq!(gaps.truncated, out(1, places[6]));
    assert_eq!(gaps.contradictory, out(2, places[11]));
    assert_eq!((gaps.dropped, done.survey.pass.torn_at), (2, None));
    assert_eq!(done.survey.pass.records, 17);
    // The same, torn: whatever is whole before that stays.
    let torn = bench.unpack(&log[..end as usize - 1], SMALL);
    assert_eq!(torn.survey.pass.torn_at, Some(places[16]));
    assert_eq!(torn.recording.packets, done.recording.packets);
}

/// A log may break off anywhere: what is whole before stays, and the place is told.
#[test]
fn a_log_that_breaks_off_keeps_what_is_whole() {
    let bench = Bench::new();
    for (name, header) in [("phone/phone.btsnoop", 16), ("desk/desk.pcapng", 0), ("wire/wire.pcap", 24)] {
        let whole = fs::read(captures().join(name)).unwrap();
        let mut records = 0;
        let mut torn_places = std::collections::BTreeSet::new();
        for length in (header + 4..whole.len()).step_by(7) {
            match bench.survey(&whole[..length]) {
                Ok(seen) => {
                    assert!(seen.pass.records >= records, "{name} at {length}");
                    records = seen.pass.records;
                    torn_places.extend(seen.pass.torn_at);
                    assert!(seen.pass.torn_at.is_none_or(|at| at < length as u64));
                }
                Err(CaptureError::Nothing { found, .. }) => {
                    assert!(found == "no record" && records == 0, "{found}")
                }
                Err(CaptureError::Broken(broken)) => {
                    assert!(broken.found.ends_with("bytes in all"), "{broken}")
                }
                Err(error) => panic!("{name} at {length}: {error}"),
            }
        }
        let all = bench.survey(&whole).unwrap().pass;
        assert_eq!(all.torn_at, None);
        assert!(all.records > records && torn_places.len() as u64 + 1 >= all.records, "{name}");
    }
}

#[test]
fn intervals_are_told_and_only_one_that_held_is_written() {
    let bench = Bench::new();
    let complete = |interval: u16| {
        let mut event = vec![4, 0x3e, 19, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 0, 0xc0];
        event.extend(interval.to_le_bytes());
        event.extend([0, 0, 42, 0, 0]);
        event
    };
    let updated = |interval: u16| {
        let mut event = vec![4, 0x3e, 10, 3, 0, 1, 0];
        event.extend(interval.to_le_bytes());
        event.extend([0, 0, 42, 0]);
        event
    };
    let subrated = vec![4, 0x3e, 12, 0x23, 0, 1, 0, 4, 0, 0, 0, 0, 0, 42, 0];
    let packet = data(1, 2, &notify(7, &[0; 5]));
    for (records, seen, written) in [
        (vec![packet.clone()], IntervalSeen::Unknown, None),
        (vec![complete(12), packet.clone()], IntervalSeen::One(15.0), Some(15.0)),
        (vec![complete(39), updated(12), packet.clone()], IntervalSeen::One(15.0), Some(15.0)),
        (vec![packet.clone(), updated(12), packet.clone()], IntervalSeen::Unknown, None),
        (vec![complete(12), subrated, packet.clone()], IntervalSeen::Unknown, None),
    ] {
        let mut log = snoop(1002);
        records.iter().for_each(|record| received(&mut log, 0, record));
        let done = bench.unpack(&log, SMALL);
        assert_eq!(done.interval, seen);
        assert_eq!(done.recording.description.link.connection_interval_ms, written);
    }
    let mut log = snoop(1002);
    for record in [complete(39), packet.clone(), updated(12), packet] {
        received(&mut log, 0, &record);
    }
    let done = bench.unpack(&log, SMALL);
    assert_eq!(done.interval, IntervalSeen::Several(vec![15.0, 48.75]));
    assert_eq!(done.recording.description.link.connection_interval_ms, None);
}

#[test]
fn a_log_that_begins_in_mid_connection_is_followed_by_the_handle() {
    let bench = Bench::new();
    let mut log = snoop(1002);
    let packet = |number| data(1, 2, &notify(7, &[number, 0, 0, 0, 0]));
    received(&mut log, 5, &packet(0));
    received(&mut log, 4, &packet(1));
    received(&mut log, 6, &[4, 0x3e, 19, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 0, 0xc0, 12, 0, 0, 0, 42, 0, 0]);
    received(&mut log, 7, &packet(2));
    let path = bench.log(&log);
    let target = bench.0.path().join("out");
    let said = unpack_into(&path, SMALL, &[], &target).unwrap_err().to_string();
    assert!(said.contains("the devices C0:00:00:00:00:01 (1 values), 0x0001 (2 values)"), "{said}");
    // It is the same device, and whoever knows that can say so.
    let done = unpack_into(&path, SMALL, &["0x0001", "C0:00:00:00:00:01"], &target).unwrap();
    assert_eq!(
        done.peers,
        [
            Peer::Address { octets: [0xc0, 0, 0, 0, 0, 1], random: true },
            Peer::Handle { adapter: 0, handle: 1 }
        ]
    );
    let stamps: Vec<i64> = done.recording.packets.host_ns().to_vec();
    assert_eq!((stamps, done.backwards), (vec![5_000, 4_000, 7_000], 1));
}

/// Stamps of every kind of pcapng interface, in both orders of bytes.
#[test]
fn stamps_of_pcapng_have_the_unit_and_origin_that_their_interface_says() {
    let bench = Bench::new();
    let packet = data(1, 2, &notify(7, &[0; 5]));
    // Resolution, offset of 100 s or none, stamp, nanoseconds, step.
    for (step, offset, stamp, host_ns, resolution_ns) in [
        (None, false, 1_234_567_u64, 1_234_567_000_i64, 1_000.0),
        (Some(6), true, 1_234_567, 101_234_567_000, 1_000.0),
        (Some(9), false, 1_234_567, 1_234_567, 1.0),
        (Some(3), true, 1_234, 101_234_000_000, 1e6),
        (Some(12), false, 1_234_567, 1_234, 1.0),
        (Some(0x80 | 10), false, 1_536, 1_500_000_000, 976_562.5),
        (Some(0x80 | 63), false, 1 << 63, 1_000_000_000, 1.0),
        (Some(30), false, u64::MAX, 0, 1.0),
    ] {
        for big in [false, true] {
            let half = |number: u16| if big { number.to_be_bytes() } else { number.to_le_bytes() };
            let mut options = Vec::new();
            if let Some(step) = step {
                options.extend(half(9).into_iter().chain(half(1)).chain([step, 0, 0, 0]));
            }
            if offset {
                options.extend(half(14).into_iter().chain(half(8)));
                options.extend(if big { 100_u64.to_be_bytes() } else { 100_u64.to_le_bytes() });
            }
            let mut log = pcapng(big, 187, &options);
            // A block of statistics is passed over, and a record without a stamp is counted.
            pcapng_block(&mut log, big, 5, &[0; 12]);
            pcapng_block(&mut log, big, 3, &[0; 8]);
            let flags: Vec<u8> = half(2)
                .into_iter()
                .chain(half(4))
                .chain(if big { [0, 0, 0, 1] } else { [1, 0, 0, 0] })
                .collect();
            pcapng_packet(&mut log, big, 0, stamp, &packet, &flags);
            let done = bench.unpack(&log, SMALL);
            assert_eq!(done.recording.packets.host_ns(), [host_ns], "{step:?} {big}");
            assert_eq!(done.recording.description.host_clock.resolution_ns, resolution_ns);
            assert_eq!(done.survey.pass.unstamped, 1);
        }
    }
}

/// A clock of milliseconds in a log of microseconds: the log's own step would say too much.
#[test]
fn a_clock_coarser_than_its_log_is_found() {
    let bench = Bench::new();
    for (step_us, resolution_ns) in [(1_000, 1e6), (10, 1e4), (1, 1e3)] {
        let mut log = snoop(1002);
        for number in 0..120_u64 {
            received(&mut log, 1_000_000 + number * 7 * step_us, &data(1, 2, &notify(7, &[0; 5])));
        }
        let done = bench.unpack(&log, SMALL);
        assert_eq!(done.recording.description.host_clock.resolution_ns, resolution_ns);
        assert_eq!(done.log_step_ns, 1e3);
    }
}

#[test]
fn bits_are_read_as_they_lie() {
    let bench = Bench::new();
    let layout = |order: &str, bits: u8, kind: &str| {
        SMALL
            .replace(
                "at = 1\nbits = 16\nkind = \"signed\"",
                &format!("at = 1\nbit = 4\nbits = {bits}\nkind = \"{kind}\"\norder = \"{order}\""),
            )
            .replace("{ at = 0 }", "{ at = 0, bits = 8 }")
    };
    // Worked out by hand: the bytes after the first are 12 34 56 78.
    for (order, bits, kind, expected) in [
        // Least significant first: 0x78563412 >> 4 = 0x7856341.
        ("little", 12, "unsigned", [0x341_i64, 0x856]),
        ("little", 12, "signed", [0x341, 0x856 - 0x1000]),
        // Most significant first: 1|2345678.
        ("big", 12, "unsigned", [0x234, 0x567]),
        ("big", 7, "signed", [0x11, 0x51 - 0x80]),
    ] {
        let mut log = snoop(1002);
        received(&mut log, 0, &data(1, 2, &notify(7, &[0, 0x12, 0x34, 0x56, 0x78])));
        let out = tempfile::tempdir_in(bench.0.path()).unwrap();
        unpack_into(&bench.log(&log), &layout(order, bits, kind), &[], out.path()).unwrap();
        let file = fs::read(out.path().join("eeg.npy")).unwrap();
        let read: Vec<i64> =
            file[128..].chunks(2).map(|pair| i64::from(i16::from_le_bytes([pair[0], pair[1]]))).collect();
        assert_eq!(read, expected, "{order} {bits} {kind}");
    }
}

fn any_packet() -> impl Strategy<Value = Packet> {
    // 2 to the 50 ns before and after 1970 are thirteen days; a log has microseconds.
    (-(1_i64 << 40)..1 << 40, 0_u8..2, any::<u16>(), any::<u32>(), 1_u16..30).prop_map(
        |(us, stream, sequence, tick, samples)| Packet {
            host_ns: us * 1_000,
            stream,
            sequence: if stream == 0 { sequence.into() } else { u32::from(sequence) & 0xff },
            tick: (stream == 0).then_some(tick.into()),
            samples,
        },
    )
}

const TWO: &str = "format = 1\n[device_clock]\ntick_hz = 1e6\ntick_bits = 32\n\
    [[stream]]\nname = \"a\"\nrate_hz = 100.0\nsamples_per_packet = 2\nsequence_bits = 16\n\
    [stream.packet]\nhandle = 7\nsequence = { at = 4, order = \"big\" }\ntick = { at = 0 }\ncount = \"rest\"\n\
    [stream.packet.samples]\nat = 6\nbits = 8\nkind = \"unsigned\"\n\
    [[stream]]\nname = \"b\"\nrate_hz = 100.0\nsamples_per_packet = 2\nsequence_bits = 8\n\
    [stream.packet]\nhandle = 9\nsequence = { at = 0 }\ncount = { at = 1, bits = 8 }\n";

/// The same packets as a log of either container, cut into fragments of this many bytes.
fn log_of(packets: &[Packet], snooped: bool, cut: usize) -> Vec<u8> {
    let mut log = if snooped { snoop(1002) } else { pcapng(true, 201, &[]) };
    for packet in packets {
        let mut value = Vec::new();
        if packet.stream == 0 {
            value.extend((packet.tick.unwrap() as u32).to_le_bytes());
            value.extend((packet.sequence as u16).to_be_bytes());
            value.extend((0..packet.samples).map(|sample| sample as u8));
        } else {
            value.extend([packet.sequence as u8, packet.samples as u8]);
        }
        let whole = notify(if packet.stream == 0 { 7 } else { 9 }, &value);
        for (place, piece) in whole.chunks(cut).enumerate() {
            let data = data(3, if place == 0 { 2 } else { 1 }, piece);
            let us = packet.host_ns / 1_000;
            if snooped {
                snoop_record(&mut log, us as u64, 1, 0, &data, data.len());
            } else {
                let directed: Vec<u8> = [0, 0, 0, 1].into_iter().chain(data).collect();
                pcapng_packet(&mut log, true, 0, us as u64, &directed, &[]);
            }
        }
    }
    log
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_packets_survive_a_log(packets in prop::collection::vec(any_packet(), 1..60), snooped: bool, cut in 3_usize..40) {
        // A pcapng stamp has no sign.
        let packets: Vec<Packet> = packets.into_iter().map(|packet| Packet { host_ns: if snooped { packet.host_ns } else { packet.host_ns.abs() }, ..packet }).collect();
        let bench = Bench::new();
        let done = bench.unpack(&log_of(&packets, snooped, cut), TWO);
        let expected: Packets<'static> = packets.iter().copied().collect();
        prop_assert_eq!(&done.recording.packets, &expected);
        let samples: u64 = packets.iter().filter(|packet| packet.stream == 0).map(|packet| u64::from(packet.samples)).sum();
        prop_assert_eq!(done.streams[0].samples, samples);
    }

    /// Whatever the bytes, there is an answer.
    #[test]
    fn arbitrary_bytes_never_bring_the_reader_down(
        head in 0_usize..6,
        rest in prop::collection::vec(any::<u8>(), 0..400),
    ) {
        let mut log = match head {
            0 => snoop(1001),
            1 => snoop(1002),
            2 => snoop(2001),
            3 => pcapng(false, 187, &[]),
            4 => vec![0xd4, 0xc3, 0xb2, 0xa1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 254, 0, 0, 0],
            _ => Vec::new(),
        };
        log.extend(rest);
        let _ = Bench::new().survey(&log);
    }

    /// Logs that were whole once, with bytes changed, taken out and put in.
    #[test]
    fn damaged_logs_never_bring_the_reader_down(
        which in 0_usize..4,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0_u8..3), 1..12),
    ) {
        let (name, log) = [("phone", "phone.btsnoop"), ("desk", "desk.pcapng"), ("wire", "wire.pcap"), ("monitor", "monitor.pcap")][which];
        let mut bytes = fs::read(captures().join(name).join(log)).unwrap();
        for (place, byte, how) in changes {
            let at = place.index(bytes.len());
            match how {
                0 => bytes[at] = byte,
                1 => { bytes.remove(at); }
                _ => bytes.insert(at, byte),
            }
        }
        let layout = fs::read_to_string(captures().join(name).join("layout.toml")).unwrap();
        let bench = Bench::new();
        let path = bench.log(&bytes);
        let peers: &[&str] = if which == 0 { &[HEADSET] } else { &[] };
        let out = tempfile::tempdir_in(bench.0.path()).unwrap();
        if unpack_into(&path, &layout, peers, out.path()).is_ok() {
            prop_assert!(read(out.path()).is_ok());
        }
    }

    /// Text that is nearly a layout is answered too.
    #[test]
    fn arbitrary_layouts_never_bring_the_reader_down(at in any::<prop::sample::Index>(), put in "[\\[\\]{}=\"a-z0-9.\n ]{0,6}") {
        let mut text = TWO.to_owned();
        text.insert_str(at.index(text.len()), &put);
        let _ = Layout::from_toml("l.toml", &text, &mut Vec::new());
    }
}

/// 8 hours of 50 notifications a second, 5 samples of 8 channels of 24 bits in each. Run with `--release --ignored --nocapture`; it prints
/// and does not judge, since a machine's speed is no property of the code. What it makes is checked.
#[test]
#[ignore = "measures speed: run it in a release build"]
fn a_night_is_unpacked_at_a_speed_that_suits_it() {
    const PACKETS: u32 = 1_440_000;
    let bench = Bench::new();
    let mut log = snoop(1002);
    let mut value = [0x55; 126];
    for number in 0..PACKETS {
        value[..2].copy_from_slice(&(number as u16).to_le_bytes());
        value[2..6].copy_from_slice(&(number * 655).to_le_bytes());
        received(
            &mut log,
            1_790_000_000_000_000 + u64::from(number) * 20_000,
            &data(1, 2, &notify(7, &value)),
        );
    }
    let path = bench.log(&log);
    let megabytes = log.len() as f64 / 1e6;
    drop(log);
    let layout = "format = 1\n[device_clock]\ntick_hz = 32768.0\ntick_bits = 32\n\
        [[stream]]\nname = \"eeg\"\nrate_hz = 250.0\nsamples_per_packet = 5\nsequence_bits = 16\n\
        [stream.packet]\nhandle = 7\nbytes = 126\nsequence = { at = 0 }\ntick = { at = 2 }\n\
        [stream.packet.samples]\nat = 6\nbits = 24\nkind = \"signed\"\nchannels = 8\nscale = 0.5\n";
    let start = std::time::Instant::now();
    survey(&path).unwrap();
    println!("{megabytes:.0} MB looked through in {:.2} s", start.elapsed().as_secs_f64());
    let start = std::time::Instant::now();
    let done = unpack_into(&path, layout, &[], &bench.0.path().join("out")).unwrap();
    let took_s = start.elapsed().as_secs_f64();
    println!("{} packets unpacked in {took_s:.2} s, samples and all", done.recording.packets.len());
    assert_eq!(done.recording.packets.len(), PACKETS as usize);
    assert!(done.recording.packets.heap_bytes() < 60_000_000, "{}", done.recording.packets.heap_bytes());
}
