//! `recording.toml` and `layout.toml`.

use tickseam_record::capture::Layout;
use tickseam_record::{Description, Note};

use crate::checks::{self, Written};
use crate::{Checked, holds};

fn check_description(description: &Description) -> Checked {
    let clock = &description.device_clock;
    checks::uncertainties(
        "numbers of a description",
        &[clock.tick_hz.unwrap_or(0.0), clock.tolerance_ppm, description.host_clock.resolution_ns],
    )?;
    let link = &description.link;
    let delays = [link.fixed_delay_ms, link.fixed_delay_u_ms, link.connection_interval_ms];
    checks::uncertainties("numbers of a link", &delays.map(Option::unwrap_or_default))?;
    holds!(!description.streams.is_empty(), "a description without a stream");
    for (place, stream) in description.streams.iter().enumerate() {
        holds!(
            stream.rate_hz.is_finite() && stream.rate_hz > 0.0 && stream.samples_per_packet > 0,
            "a description of a stream that cannot be: {stream:?}"
        );
        let same = description.streams.iter().take(place).any(|other| other.name == stream.name);
        holds!(!same && !stream.name.is_empty(), "a name of no use: {stream:?}");
        holds!(
            (8..=32).contains(&stream.sequence_bits) && !stream.name.contains(['/', '\n']),
            "a description of a stream that cannot be: {stream:?}"
        );
    }
    for latency in description.event_latency.values() {
        checks::finite("latency", &[latency.latency_ms])?;
        checks::uncertainties("latency", &[latency.latency_u_ms])?;
    }
    let text =
        description.to_toml().map_err(|error| crate::Broken::new(format!("cannot be written: {error}")))?;
    let mut notes = Vec::new();
    match Description::from_toml(&text, &mut notes) {
        Ok(again) => {
            holds!(
                again == *description && notes.is_empty(),
                "{description:?} comes back as {again:?}, {notes:?}"
            );
            Ok(())
        }
        Err(fault) => {
            Err(crate::Broken::new(format!("{description:?} was accepted, and written is refused: {fault}")))
        }
    }
}

fn check_notes(notes: &[Note], written: &Written) -> Checked {
    for note in notes {
        let lines = written.lines.unwrap_or(0);
        holds!(note.file == written.file && note.line <= lines, "{note} is a note about {written:?}");
    }
    Ok(())
}

/// The first byte says which file; the rest is its text.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let Some((first, rest)) = bytes.split_first() else { return Ok(()) };
    let mut notes = Vec::new();
    if first & 1 == 0 {
        // What is no text at all is the folder's business.
        if let Ok(text) = std::str::from_utf8(rest) {
            let written = Written::text("recording.toml", rest);
            match Description::from_toml(text, &mut notes) {
                Ok(description) => check_description(&description)?,
                Err(fault) => checks::malformed(&fault, "recording.toml", written.lines)?,
            }
            check_notes(&notes, &written)?;
        }
        let folder = super::folder()?;
        super::put(folder.path(), "recording.toml", rest)?;
        super::put(folder.path(), "packets.csv", super::ONE_PACKET.as_bytes())?;
        let written = [
            Written::text("recording.toml", rest),
            Written::text("packets.csv", super::ONE_PACKET.as_bytes()),
        ];
        match tickseam_record::read(folder.path()) {
            Ok(recording) => check_description(&recording.description),
            Err(error) => checks::read_error(&error, &written),
        }
    } else {
        let Ok(text) = std::str::from_utf8(rest) else { return Ok(()) };
        let written = Written::text("layout.toml", rest);
        match Layout::from_toml("layout.toml", text, &mut notes) {
            Ok(layout) => {
                check_description(&layout.description)?;
                holds!(
                    layout.packets.len() == layout.description.streams.len(),
                    "a stream without a packet: {layout:?}"
                );
            }
            Err(fault) => checks::malformed(&fault, "layout.toml", written.lines)?,
        }
        check_notes(&notes, &written)
    }
}
