//! Bluetooth logs: btsnoop, pcap and pcapng.

use std::fs;

use tickseam_record::capture::{CaptureError, Layout, Request, survey, unpack};
use tickseam_record::read;

use crate::{Broken, Checked, holds};

/// Where the numbers stand: in the logs of `tests/open_formats/captures`, with as many samples as there is room for, and without any.
const LAYOUTS: [&str; 6] = [
    include_str!("../../../../tests/open_formats/captures/phone/layout.toml"),
    include_str!("../../../../tests/open_formats/captures/desk/layout.toml"),
    include_str!("../../../../tests/open_formats/captures/wire/layout.toml"),
    include_str!("../../../../tests/open_formats/captures/monitor/layout.toml"),
    "format = 1\n[[stream]]\nname = \"eeg\"\nrate_hz = 250.0\nsamples_per_packet = 2\nsequence_bits = 8\n[stream.packet]\n\
     handle = 0x0012\nsequence = { at = 0 }\ncount = \"rest\"\n[stream.packet.samples]\nat = 1\nbits = 16\nkind = \"signed\"\n",
    "format = 1\n[[stream]]\nname = \"eeg\"\nrate_hz = 250.0\nsamples_per_packet = 2\nsequence_bits = 16\n[stream.packet]\n\
     handle = 0x0012\nsequence = { at = 0 }\n",
];

/// An error says in which log it is and, where it is a byte that is wrong, one that the log has.
fn check(error: &CaptureError, log: &str, bytes: usize) -> Checked {
    let words = error.to_string();
    holds!(words.len() < 4_000 + log.len(), "a message of {} bytes: {words:?}", words.len());
    match error {
        CaptureError::Broken(broken) => {
            holds!(broken.log == log && words.starts_with(log), "{words:?} does not name {log:?}");
            let byte = usize::try_from(broken.byte).unwrap_or(usize::MAX);
            holds!(
                byte <= bytes && words.contains(&format!(" byte {byte}")),
                "{words:?} is not of {bytes} bytes"
            );
            holds!(!broken.found.is_empty() && !broken.expected.is_empty(), "{words:?} says nothing");
            Ok(())
        }
        CaptureError::Nothing { .. } | CaptureError::Choice { .. } => {
            holds!(words.starts_with(log), "{words:?} does not name {log:?}");
            Ok(())
        }
        // What a log makes may be no recording, and that is said too.
        CaptureError::Write(_) => Ok(()),
        CaptureError::Io { .. } | CaptureError::Layout(_) | CaptureError::Events(_) => {
            Err(Broken::new(format!("the log is there, and the layout holds together, and yet: {words}")))
        }
    }
}

/// The first byte says by which layout; the rest is the log.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let Some((&first, rest)) = bytes.split_first() else { return Ok(()) };
    let folder = super::folder()?;
    super::put(folder.path(), "phone.log", rest)?;
    let path = folder.path().join("phone.log");
    let log = path.display().to_string();
    let seen = match survey(&path) {
        Ok(seen) => seen,
        Err(error) => return check(&error, &log, rest.len()),
    };
    let bytes = u64::try_from(rest.len()).unwrap_or(u64::MAX);
    holds!(
        seen.pass.records > 0 && seen.pass.records <= bytes,
        "{} records in {bytes} bytes",
        seen.pass.records
    );
    holds!(seen.pass.torn_at.is_none_or(|byte| byte <= bytes), "torn at {:?} of {bytes}", seen.pass.torn_at);
    for of in &seen.characteristics {
        let lengths: u64 = of.lengths.values().sum();
        holds!(of.values() > 0 && lengths <= of.values(), "{of:?} is of no values");
        holds!(of.per_s().is_none_or(f64::is_finite), "{of:?} has no rate");
    }
    let text = LAYOUTS[usize::from(first) % LAYOUTS.len()];
    let layout = Layout::from_toml("layout.toml", text, &mut Vec::new())
        .map_err(|fault| Broken::new(format!("the layout: {fault}")))?;
    let request = Request { log: &path, layout: &layout, layout_text: text, peers: &[], events: None };
    let out = folder.path().join("out");
    match unpack(&request, &out, &|_| ()) {
        Ok(unpacked) => {
            let total: u64 = unpacked.streams.iter().map(|stream| stream.packets).sum();
            let packets = unpacked.recording.packets.len() as u64;
            holds!(total == packets && packets > 0, "{total} packets of streams, {packets} in the recording");
            for file in &unpacked.files {
                holds!(out.join(file).is_file(), "{file} is said to be written");
            }
            let mut made = unpacked.recording;
            made.notes.clear();
            match read(&out) {
                Ok(mut back) => {
                    back.notes.clear();
                    holds!(back == made, "comes back as {back:?}, was {made:?}");
                    Ok(())
                }
                Err(error) => Err(Broken::new(format!("unpacked, and cannot be read: {error}"))),
            }
        }
        Err(error) => {
            let left = fs::read_dir(&out).map_or(0, Iterator::count);
            holds!(left == 0, "refused ({error}), and {left} files are left behind");
            check(&error, &log, rest.len())
        }
    }
}
