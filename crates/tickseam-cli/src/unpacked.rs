//! What unpacking a log tells people, in plain text of at most 80 columns.

use std::fmt::Write;
use std::path::Path;

use tickseam_record::Note;
use tickseam_record::capture::layout::{Field, Order};
use tickseam_record::capture::{
    Characteristic, IntervalSeen, Layout, LeftOut, Pass, StreamUnpacked, Survey, Unpacked,
};

use crate::summary::{duration, paragraph};

/// Share of sequence numbers that follow each other, below which the layout is doubted. Links that lose every other packet are none.
const LEAST_FOLLOWING: f64 = 0.5;

/// Relative deviation from what the layout says from which on it is doubted. Crystals are a thousand times better, lost packets count.
const MOST_DEVIATION: f64 = 0.2;

/// Rows of a list that are printed.
const MOST_ROWS: usize = 40;

/// What is in a log, and a layout to begin with.
pub(crate) fn listing(log: &Path, survey: &Survey) -> String {
    let mut text = String::new();
    of_log(&mut text, log, &survey.pass);
    if survey.characteristics.is_empty() {
        paragraph(&mut text, "Values", "no notification and no indication");
    } else {
        let _ = writeln!(
            text,
            "\n{:<19} {:<13} {:>9} {:>9} {:>9}  connection",
            "device", "handle", "values", "a second", "bytes"
        );
        for seen in survey.characteristics.iter().take(MOST_ROWS) {
            let _ = writeln!(text, "{}", row(seen));
        }
        let more = survey.characteristics.len().saturating_sub(MOST_ROWS);
        if more > 0 {
            let _ = writeln!(text, "and {more} more");
        }
        text.push('\n');
    }
    left_out(&mut text, &survey.pass);
    let heaviest =
        survey.characteristics.iter().filter(|seen| seen.received).max_by_key(|seen| {
            seen.lengths.iter().map(|(length, count)| *length as u64 * count).sum::<u64>()
        });
    if let Some(seen) = heaviest {
        paragraph(
            &mut text,
            "Layout",
            &format!(
                "a draft for handle 0x{:04X} of {}, which sends most. What is filled in was seen in the log, not known; each ? is \
                 for you to fill in.",
                seen.handle, seen.peer
            ),
        );
        let _ = write!(text, "\n{}", draft(seen));
    }
    text
}

fn of_log(text: &mut String, log: &Path, pass: &Pass) {
    let span_s =
        pass.span_ns.map_or(0.0, |(first_ns, last_ns)| last_ns.saturating_sub(first_ns) as f64 / 1e9);
    paragraph(
        text,
        "Log",
        &format!(
            "{}: {}, {}; {} records in {}; {} begun in it",
            log.display(),
            pass.container.name(),
            pass.content,
            pass.records,
            duration(span_s),
            plural(pass.connections_made, "connection"),
        ),
    );
}

fn plural(count: u64, word: &str) -> String {
    if count == 1 { format!("{count} {word}") } else { format!("{count} {word}s") }
}

fn row(seen: &Characteristic) -> String {
    let sent = if seen.received { "" } else { " (sent)" };
    let handle = format!("0x{:04X}{sent}", seen.handle);
    let rate = seen.per_s().map_or_else(|| "-".to_owned(), |per_s| format!("{per_s:.2}"));
    let bytes = match (seen.lengths.first_key_value(), seen.lengths.last_key_value()) {
        (Some((least, _)), Some((most, _))) if least == most => least.to_string(),
        (Some((least, _)), Some((most, _))) => format!("{least}-{most}"),
        _ => "-".to_owned(),
    };
    let mut connections: Vec<String> =
        seen.connections.iter().take(2).map(|handle| format!("0x{handle:04X}")).collect();
    if seen.connections.len() > 2 {
        connections.truncate(1);
        connections.push(format!("+{}", seen.connections.len() - 1));
    }
    let peer = seen.peer.to_string();
    let values = seen.values();
    format!("{peer:<19} {handle:<13} {values:>9} {rate:>9} {bytes:>9}  {}", connections.join(" "))
}

/// What the log could not give.
fn left_out(text: &mut String, pass: &Pass) {
    let gaps = &pass.gaps;
    let mut say = |sentence: String| paragraph(text, "Left out", &sentence);
    let mut counted = |out: LeftOut, one: &str, many: &str| {
        if out.count > 0 {
            let what = if out.count == 1 { one } else { many };
            say(format!("{} {what}, the first at byte {}", out.count, out.first_byte));
        }
    };
    counted(gaps.truncated, "record that its writer cut short", "records that their writer cut short");
    counted(
        gaps.incomplete,
        "packet of which a fragment is missing",
        "packets of which a fragment is missing",
    );
    counted(gaps.headless, "fragment whose first one is missing", "fragments whose first one is missing");
    counted(
        gaps.contradictory,
        "packet whose lengths contradict each other",
        "packets whose lengths contradict each other",
    );
    if let Some(byte) = pass.torn_at {
        say(format!("the last record, in which the log breaks off at byte {byte}"));
    }
    if pass.unstamped > 0 {
        say(format!("{} without a stamp", plural(pass.unstamped, "record")));
    }
    if pass.other_links > 0 {
        say(format!("{} of other link types than Bluetooth's", plural(pass.other_links, "record")));
    }
    if gaps.dropped > 0 {
        paragraph(
            text,
            "Lost",
            &format!("{} before they came into the log, as it says itself", plural(gaps.dropped, "packet")),
        );
    }
}

fn field(field: Field) -> String {
    let order = if field.order == Order::Big { ", order = \"big\"" } else { "" };
    format!("{{ at = {}, bits = {}{order} }}", field.bit / 8, field.bits)
}

/// A layout with what the log shows filled in.
fn draft(seen: &Characteristic) -> String {
    let (sequence, tick) = (seen.guess.sequence(), seen.guess.tick());
    let mut text = String::from("format = 1\n\n[device_clock]\n");
    if let Some(tick) = tick {
        let _ = writeln!(text, "tick_hz = ?          # nominal; about {:.0} by the log", tick.per_s);
        let _ = writeln!(text, "tick_bits = {}", tick.field.bits);
    }
    text.push_str("tolerance_ppm = ?    # of the device's crystal\n\n[[stream]]\nname = \"eeg\"\n");
    text.push_str("rate_hz = ?          # nominal");
    if let Some(per_s) = seen.per_s() {
        let _ = write!(text, "; {per_s:.2} times the samples in a packet");
    }
    text.push_str("\nsamples_per_packet = ?\n");
    match sequence {
        Some(counter) => {
            let _ = writeln!(text, "sequence_bits = {}", counter.field.bits.min(32));
        }
        None => text.push_str("sequence_bits = ?\n"),
    }
    let _ = writeln!(text, "\n[stream.packet]\nhandle = 0x{:04X}", seen.handle);
    let mut lengths: Vec<(u64, usize)> =
        seen.lengths.iter().map(|(length, count)| (*count, *length)).collect();
    lengths.sort_unstable_by(|a, b| b.cmp(a));
    if let [(_, usual), rest @ ..] = &lengths[..] {
        let others: Vec<String> =
            rest.iter().take(4).map(|(count, length)| format!("{count} of {length}")).collect();
        let seen =
            if others.is_empty() { String::new() } else { format!("    # also {}", others.join(", ")) };
        let _ = writeln!(text, "bytes = {usual}{seen}");
    }
    match sequence {
        Some(counter) => {
            let _ = writeln!(text, "sequence = {}    # grows by one", field(counter.field));
        }
        None => text.push_str("sequence = { at = ?, bits = ? }\n"),
    }
    if let Some(tick) = tick {
        let _ = writeln!(text, "tick = {}    # grows evenly", field(tick.field));
    }
    text.push_str(
        "\n[stream.packet.samples]\nat = ?\nbits = ?\nkind = \"signed\"\norder = \"little\"\nchannels = ?\n",
    );
    text
}

/// What was unpacked.
pub(crate) fn for_people(log: &Path, out: &Path, layout: &Layout, done: &Unpacked, notes: &[Note]) -> String {
    let mut text = String::new();
    of_log(&mut text, log, &done.survey.pass);
    let peers: Vec<String> = done.peers.iter().map(ToString::to_string).collect();
    paragraph(&mut text, "Device", &peers.join(", "));
    for (place, stream) in done.streams.iter().enumerate() {
        paragraph(&mut text, "Packets", &packets(stream));
        if let Some(doubt) = doubt(layout, done, place) {
            paragraph(&mut text, "Doubt", &doubt);
        }
    }
    for stream in &done.streams {
        if let Some((numbers, [packets, samples, channels])) = stream.array {
            let unit = stream.unit.as_ref().map_or_else(String::new, |unit| format!(", in {unit}"));
            let shape = format!("({packets}, {samples}, {channels})");
            paragraph(
                &mut text,
                "Samples",
                &format!("{}.npy: {} {shape}{unit}", stream.name, numbers.descr()),
            );
        }
    }
    let backwards = match done.backwards {
        0 => String::new(),
        1 => "; 1 packet is stamped earlier than the one before it".to_owned(),
        count => format!("; {count} packets are stamped earlier than the one before them"),
    };
    let resolution_ns = done.recording.description.host_clock.resolution_ns;
    let coarser = if resolution_ns > done.log_step_ns {
        format!(", coarser than the {} ns of the log's format", done.log_step_ns)
    } else {
        String::new()
    };
    paragraph(&mut text, "Stamps", &format!("in steps of {resolution_ns} ns{coarser}{backwards}"));
    paragraph(&mut text, "Interval", &interval(layout, &done.interval));
    left_out(&mut text, &done.survey.pass);
    if !done.others.is_empty() {
        let lengths: Vec<String> =
            done.others.iter().map(|(length, count)| format!("{count} of {length} bytes")).collect();
        let sentence = format!("values that are no packet by `bytes` and `when`: {}", lengths.join(", "));
        paragraph(&mut text, "Left out", &sentence);
    }
    not_used(&mut text, layout, done);
    if !done.recording.events.is_empty() {
        let outside = match done.events_outside {
            0 => String::new(),
            count => format!(", {count} of them before the first packet or after the last"),
        };
        paragraph(&mut text, "Events", &format!("{}{outside}", done.recording.events.len()));
    }
    for note in notes {
        paragraph(&mut text, "Note", &note.to_string());
    }
    let sentence = format!("{}, in the folder {}", done.files.join(", "), out.display());
    paragraph(&mut text, "Written", &sentence);
    paragraph(&mut text, "Next", &format!("tickseam replay {}", out.display()));
    text
}

fn packets(stream: &StreamUnpacked) -> String {
    if stream.packets == 0 {
        return format!("{}: none by handle 0x{:04X}", stream.name, stream.handle);
    }
    let span_s = stream.span_ns.1.saturating_sub(stream.span_ns.0) as f64 / 1e9;
    let rate = if span_s > 0.0 && stream.packets > 1 {
        let per_s = (stream.packets - 1) as f64 / span_s;
        format!(", {per_s:.2} a second")
    } else {
        String::new()
    };
    format!(
        "{}: {} by handle 0x{:04X} in {}{rate}; {} samples",
        stream.name,
        stream.packets,
        stream.handle,
        duration(span_s),
        stream.samples
    )
}

/// Why the layout may be wrong although it could be read: its counters do not count.
fn doubt(layout: &Layout, done: &Unpacked, place: usize) -> Option<String> {
    let stream = layout.description.streams.get(place)?;
    let clock = &layout.description.device_clock;
    let wrap = |difference: u64, bits: u8| difference & (u64::MAX >> 64_u32.saturating_sub(u32::from(bits)));
    let mut before: Option<tickseam_record::Packet> = None;
    let (mut steps, mut following) = (0_u64, 0_u64);
    let mut tick_steps = Vec::new();
    for packet in done.recording.packets.iter().filter(|packet| usize::from(packet.stream) == place) {
        if let Some(before) = before {
            steps += 1;
            let step =
                wrap(u64::from(packet.sequence).wrapping_sub(before.sequence.into()), stream.sequence_bits);
            if step == 1 {
                following += 1;
                if let (Some(tick), Some(earlier), Some(bits)) = (packet.tick, before.tick, clock.tick_bits) {
                    tick_steps
                        .push(wrap(tick.wrapping_sub(earlier), bits) as f64 / f64::from(before.samples));
                }
            }
        }
        before = Some(packet);
    }
    if steps >= 10 && (following as f64) < LEAST_FOLLOWING * steps as f64 {
        return Some(format!(
            "only {following} of {steps} packets of {} have the sequence number after the one before; are `sequence` and \
             `sequence_bits` right?",
            stream.name
        ));
    }
    if let (Some(tick_hz), true) = (clock.tick_hz, tick_steps.len() >= 10) {
        let middle = tick_steps.len() / 2;
        let (_, median, _) = tick_steps.select_nth_unstable_by(middle, f64::total_cmp);
        let expected = tick_hz / stream.rate_hz;
        if (*median / expected - 1.0).abs() > MOST_DEVIATION {
            return Some(format!(
                "the tick of {} grows by {median:.1} a sample, where {tick_hz} Hz and {} Hz make {expected:.1}; are `tick`, \
                 `tick_hz` and `rate_hz` right?",
                stream.name, stream.rate_hz
            ));
        }
    }
    let done = done.streams.get(place)?;
    let span_s = done.span_ns.1.saturating_sub(done.span_ns.0) as f64 / 1e9;
    let usual = done.samples as f64 / done.packets.max(1) as f64;
    let per_s = (done.samples as f64 - usual) / span_s;
    (span_s > 10.0 && (per_s / stream.rate_hz - 1.0).abs() > MOST_DEVIATION).then(|| {
        format!(
            "{per_s:.1} samples of {} came a second, where `rate_hz` is {}; is it right, or were many packets lost?",
            stream.name, stream.rate_hz
        )
    })
}

fn interval(layout: &Layout, seen: &IntervalSeen) -> String {
    match (seen, layout.description.link.connection_interval_ms) {
        (IntervalSeen::Unknown, None) => "the log does not tell the connection interval".to_owned(),
        (IntervalSeen::Unknown, Some(declared)) => {
            format!("{declared} ms by the layout; the log does not tell it")
        }
        (IntervalSeen::One(ms), None) => {
            format!("{ms} ms all the time, by the log; written into recording.toml")
        }
        (IntervalSeen::One(ms), Some(declared)) if *ms == declared => {
            format!("{ms} ms, by the layout and by the log")
        }
        (IntervalSeen::One(ms), Some(declared)) => {
            format!(
                "{ms} ms by the log, but {declared} ms by the layout, which went into recording.toml; which is right?"
            )
        }
        (IntervalSeen::Several(all), declared) => {
            let all: Vec<String> = all.iter().map(ToString::to_string).collect();
            let written = match declared {
                Some(declared) => format!("{declared} ms of the layout went into recording.toml"),
                None => "none went into recording.toml".to_owned(),
            };
            format!("it changed: {} ms by the log; {written}", all.join(" and "))
        }
    }
}

/// What was seen and is in no stream.
fn not_used(text: &mut String, layout: &Layout, done: &Unpacked) {
    let used = |seen: &&Characteristic| {
        seen.received
            && done.peers.contains(&seen.peer)
            && layout.packets.iter().any(|packet| packet.handle == seen.handle)
    };
    let rest: Vec<&Characteristic> = done.survey.characteristics.iter().filter(|seen| !used(seen)).collect();
    for seen in rest.iter().take(MOST_ROWS) {
        let way = if seen.received { "from" } else { "sent to" };
        paragraph(
            text,
            "Not used",
            &format!(
                "{} by handle 0x{:04X} {way} {}",
                plural(seen.values(), "value"),
                seen.handle,
                seen.peer
            ),
        );
    }
    if rest.len() > MOST_ROWS {
        paragraph(text, "Not used", &format!("values of {} more", rest.len() - MOST_ROWS));
    }
}
