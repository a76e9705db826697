//! `<stream>.npy`.

use tickseam_record::{NpyError, NumberType, Packet, Packets, SampleArray};

use crate::{Broken, Checked, holds};

fn check(error: &NpyError, path: &str) -> Checked {
    let words = error.to_string();
    holds!(words.starts_with(path), "{words:?} does not name {path:?}");
    holds!(words.len() < 2_000 + path.len(), "a message of {} bytes: {words:?}", words.len());
    match error {
        NpyError::Malformed { place, found, expected, .. } => {
            holds!(!place.is_empty() && !found.is_empty() && !expected.is_empty(), "{words:?} says nothing");
            Ok(())
        }
        NpyError::Absent { .. } | NpyError::Io { .. } => {
            Err(Broken::new(format!("the file is there, and yet: {words}")))
        }
    }
}

/// The first byte says how many packets there are, the second how large the last one is; the rest is the file.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let &[count, last, ref rest @ ..] = bytes else { return Ok(()) };
    let packets: Packets<'_> = (0..u32::from(count % 32))
        .map(|sequence| Packet {
            host_ns: i64::from(sequence),
            stream: 0,
            sequence,
            tick: None,
            samples: if sequence == 2 { u16::from(last) + 1 } else { 2 },
        })
        .collect();
    let folder = super::folder()?;
    super::put(folder.path(), "eeg.npy", rest)?;
    let path = folder.path().join("eeg.npy").display().to_string();
    let mut array = match SampleArray::open(folder.path(), "eeg", 0, &packets) {
        Ok(array) => array,
        Err(error) => return check(&error, &path),
    };
    let (all, samples, channels) = (array.packets(), array.samples(), array.channels());
    holds!(all == packets.len() as u64, "{all} packets in the array, {} in the recording", packets.len());
    let size = match array.numbers() {
        NumberType::Signed(size) | NumberType::Unsigned(size) | NumberType::Float(size) => usize::from(size),
    };
    let whole = packets.len().saturating_mul(samples).saturating_mul(channels);
    holds!(
        whole.saturating_mul(size) <= rest.len(),
        "{whole} numbers of {size} bytes in {} bytes",
        rest.len()
    );
    let mut together = Vec::new();
    array
        .read_packets(0, packets.len(), &mut together)
        .map_err(|error| Broken::new(format!("opened, and cannot be read: {error}")))?;
    holds!(together.len() == whole, "{} numbers read of {whole}", together.len());
    // Packet by packet the same.
    let (mut apart, mut one) = (Vec::new(), Vec::new());
    for first in 0..all {
        array
            .read_packets(first, 1, &mut one)
            .map_err(|error| Broken::new(format!("packet {first} cannot be read: {error}")))?;
        apart.extend_from_slice(&one);
    }
    let bits = |numbers: &[f64]| numbers.iter().map(|number| number.to_bits()).collect::<Vec<_>>();
    holds!(bits(&together) == bits(&apart), "packet by packet other numbers");
    match array.read_packets(all, 1, &mut one) {
        Ok(()) => Err(Broken::new("a packet beyond the last")),
        Err(error) => check(&error, &path),
    }
}
