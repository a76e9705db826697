//! Samples that NumPy wrote (`tests/npy/make.py`, numpy 2), and folders whose samples do not fit their packets.

use std::fs;
use std::path::Path;

use tickseam_record::{NpyError, NumberType, Packet, Packets, SampleArray, write_npy_header};

/// Packets of stream 1 with so many samples each, one packet of stream 0 in between.
fn packets(samples: &[u16]) -> Packets<'static> {
    let packet = |stream, samples| Packet { host_ns: 0, stream, sequence: 0, tick: None, samples };
    let mut packets: Vec<Packet> = samples.iter().map(|&samples| packet(1, samples)).collect();
    packets.insert(1, packet(0, 40));
    packets.into_iter().collect()
}

fn open(name: &str) -> SampleArray {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/npy");
    SampleArray::open(&folder, name, 1, &packets(&[2, 2, 2])).unwrap()
}

#[test]
fn every_type_byte_order_and_version_that_numpy_writes_is_read() {
    for (name, numbers, first) in [
        ("little-i1", NumberType::Signed(1), -50.0),
        ("little-i2", NumberType::Signed(2), -50.0),
        ("big-i2", NumberType::Signed(2), -50.0),
        ("little-i4", NumberType::Signed(4), -50.0),
        ("big-i4", NumberType::Signed(4), -50.0),
        ("little-i8", NumberType::Signed(8), -50.0),
        ("big-i8", NumberType::Signed(8), -50.0),
        ("little-u1", NumberType::Unsigned(1), 0.0),
        ("little-u2", NumberType::Unsigned(2), 0.0),
        ("big-u4", NumberType::Unsigned(4), 0.0),
        ("little-u8", NumberType::Unsigned(8), 0.0),
        ("little-f4", NumberType::Float(4), -49.5),
        ("big-f4", NumberType::Float(4), -49.5),
        ("little-f8", NumberType::Float(8), -49.5),
        ("big-f8", NumberType::Float(8), -49.5),
        ("little-i2-fortran", NumberType::Signed(2), -50.0),
        ("big-f8-fortran", NumberType::Float(8), -49.5),
        ("version-2", NumberType::Signed(2), -50.0),
        ("version-3", NumberType::Signed(2), -50.0),
    ] {
        let mut array = open(name);
        assert_eq!((array.packets(), array.samples(), array.channels()), (3, 2, 2), "{name}");
        assert_eq!(array.numbers(), numbers, "{name}");
        let mut read = Vec::new();
        array.read_packets(0, 3, &mut read).unwrap();
        let expected: Vec<f64> = (0..12).map(|place| first + 9.0 * f64::from(place)).collect();
        assert_eq!(read, expected, "{name}");
        array.read_packets(1, 1, &mut read).unwrap();
        assert_eq!(read, expected[4..8], "{name}");
        assert!(matches!(array.read_packets(2, 2, &mut read), Err(NpyError::Malformed { .. })), "{name}");
    }
}

#[test]
fn two_dimensions_are_one_channel() {
    let mut array = open("two-dimensions");
    assert_eq!((array.packets(), array.samples(), array.channels()), (3, 2, 1));
    let mut read = Vec::new();
    array.read_packets(0, 3, &mut read).unwrap();
    assert_eq!(read, [-50.0, -41.0, -32.0, -23.0, -14.0, -5.0]);
}

/// What is said of an array of this shape beside packets of so many samples.
fn refused(shape: &[usize], packets_of: &[u16]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let mut bytes = Vec::new();
    write_npy_header(&mut bytes, "<i2", shape).unwrap();
    bytes.resize(bytes.len() + 2 * shape.iter().product::<usize>(), 0);
    fs::write(folder.path().join("scalp.npy"), &bytes).unwrap();
    match SampleArray::open(folder.path(), "scalp", 1, &packets(packets_of)) {
        Ok(_) => String::new(),
        Err(error) => error.to_string().replace(&folder.path().join("").display().to_string(), ""),
    }
}

#[test]
fn a_shape_that_is_not_that_of_the_packets_is_refused_with_both() {
    for (shape, packets_of, message) in [
        (&[3, 2, 4][..], &[2, 2, 2][..], ""),
        // Packets of different sizes: the array has room for the largest one that the device may send.
        (&[3, 4, 4], &[2, 3, 2], ""),
        (
            &[4, 2, 4],
            &[2, 2, 2],
            "scalp.npy, shape: found (4, 2, 4), expected (3, 2, channels): packets.csv has 3 packets of this stream",
        ),
        (
            &[3, 4, 2],
            &[2, 2, 2],
            "scalp.npy, shape: found (3, 4, 2), expected (3, 2, channels): line 2 of packets.csv has 2 samples",
        ),
        (
            &[3, 2, 4],
            &[2, 2, 3],
            "scalp.npy, shape: found (3, 2, 4), expected (3, 3, channels): line 5 of packets.csv has 3 samples",
        ),
        (
            &[6],
            &[2, 2, 2],
            "scalp.npy, shape: found 1 dimension, expected 3: (packets, samples, channels); or 2: (packets, samples) for \
             one channel",
        ),
        (&[3, 2, 0], &[2, 2, 2], "scalp.npy, shape: found no channels, expected 1 channel or more"),
    ] {
        assert_eq!(refused(shape, packets_of), message, "{shape:?}");
    }
}

#[test]
fn what_is_no_array_or_was_cut_off_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let said = |bytes: &[u8]| {
        fs::write(folder.path().join("scalp.npy"), bytes).unwrap();
        let error = SampleArray::open(folder.path(), "scalp", 1, &packets(&[2, 2, 2])).unwrap_err();
        error.to_string().replace(&folder.path().join("").display().to_string(), "")
    };
    let mut whole = Vec::new();
    write_npy_header(&mut whole, "<i2", &[3, 2, 2]).unwrap();
    whole.resize(whole.len() + 24, 0);
    assert_eq!(
        said(b"host_ns,stream\n"),
        "scalp.npy, byte 0: found \"host_n\", expected \"\\x93NUMPY\", the beginning of a NumPy array"
    );
    let cut = &whole[..whole.len() - 1];
    assert_eq!(
        said(cut),
        "scalp.npy, byte 128: found 23 bytes of samples, expected 24 of them for its shape: was the file cut off?"
    );
    let mut later = whole.clone();
    later[6] = 4;
    assert_eq!(
        said(&later),
        "scalp.npy, byte 6: found version 4.0, expected version 1.0, 2.0 or 3.0 of the format"
    );
    // Every shorter file is refused, none is a panic.
    for length in 0..whole.len() {
        said(&whole[..length]);
    }
    fs::remove_file(folder.path().join("scalp.npy")).unwrap();
    let absent = SampleArray::open(folder.path(), "scalp", 1, &packets(&[2, 2, 2])).unwrap_err().to_string();
    assert!(
        absent.ends_with(
            "scalp.npy: found no such file, expected the samples of stream \"scalp\", a NumPy array of shape (3 packets, 2 \
             samples, channels)"
        ),
        "{absent}"
    );
}
