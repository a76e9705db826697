//! From the values of a log to a recording folder.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use super::fault::{Broken, CaptureError};
use super::hci::Peer;
use super::layout::Layout;
use super::{Survey, Value, scan, survey};
use crate::error::Note;
use crate::npy_writer::{NpyType, NpyWriter};
use crate::output::OutputFolder;
use crate::packets::{Packet, Packets};
use crate::recording::{Recording, write_into};
use crate::tables::{Event, read_events_file};

/// Which device is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Choice {
    /// The one of this address, public or random.
    Address([u8; 6]),
    /// The one that was connected by this handle before the log began.
    Handle {
        /// Which adapter.
        adapter: u32,
        /// The connection handle.
        handle: u16,
    },
}

impl Choice {
    /// Reads what [`Peer`] prints.
    pub fn parse(text: &str) -> Result<Self, String> {
        const EXPECTED: &str =
            "expected an address as in C0:FF:EE:00:00:01, or a connection handle as in 0x0040";
        if let Some(digits) = text.strip_prefix("0x") {
            let (handle, adapter) = digits.split_once('@').unwrap_or((digits, "0"));
            let handle = u16::from_str_radix(handle, 16).ok().filter(|handle| *handle <= 0x0fff);
            let (Some(handle), Ok(adapter)) = (handle, adapter.parse()) else {
                return Err(EXPECTED.to_owned());
            };
            return Ok(Self::Handle { adapter, handle });
        }
        let mut octets = [0; 6];
        let mut pieces = text.split(':');
        for octet in &mut octets {
            let piece = pieces.next().filter(|piece| piece.len() == 2).unwrap_or_default();
            *octet = u8::from_str_radix(piece, 16).map_err(|_| EXPECTED.to_owned())?;
        }
        if pieces.next().is_some() { Err(EXPECTED.to_owned()) } else { Ok(Self::Address(octets)) }
    }

    fn means(self, peer: Peer) -> bool {
        match (self, peer) {
            (Self::Address(asked), Peer::Address { octets, .. }) => asked == octets,
            (Self::Handle { adapter, handle }, Peer::Handle { adapter: of, handle: is }) => {
                (adapter, handle) == (of, is)
            }
            _ => false,
        }
    }
}

/// What is to be unpacked, and how.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// The log.
    pub log: &'a Path,
    /// Where in its notifications the numbers stand.
    pub layout: &'a Layout,
    /// The same as it was written, to lie beside what it made.
    pub layout_text: &'a str,
    /// The device; several choices are one device under several addresses. Empty where the log has only one that fits.
    pub peers: &'a [Choice],
    /// Events on the log's own clock, to go into the recording.
    pub events: Option<&'a Path>,
}

/// Connection intervals that were in force while the packets came, as the log tells.
#[derive(Clone, Debug, PartialEq)]
pub enum IntervalSeen {
    /// The log does not tell, or not for all of them.
    Unknown,
    /// One all the time, ms.
    One(f64),
    /// Several, ms.
    Several(Vec<f64>),
}

/// What became of one stream.
#[derive(Clone, Debug, PartialEq)]
pub struct StreamUnpacked {
    /// Its name.
    pub name: String,
    /// The attribute handle that it came by.
    pub handle: u16,
    /// Packets.
    pub packets: u64,
    /// Samples.
    pub samples: u64,
    /// Stamps of its first and last packet.
    pub span_ns: (i64, i64),
    /// Type and shape of its array file; `None` where none was asked for.
    pub array: Option<(NpyType, [usize; 3])>,
    /// The unit of its samples, where the layout says it.
    pub unit: Option<String>,
}

/// What was unpacked.
#[derive(Clone, Debug)]
pub struct Unpacked {
    /// What is in the log.
    pub survey: Survey,
    /// The device; several where several were asked for.
    pub peers: Vec<Peer>,
    /// The recording, samples apart.
    pub recording: Recording,
    /// What became of each stream.
    pub streams: Vec<StreamUnpacked>,
    /// Values of the device and handles asked for that are no packet of any stream: how many of each length.
    pub others: BTreeMap<usize, u64>,
    /// Packets that are stamped earlier than the one before.
    pub backwards: u64,
    /// Step of the log's stamps by its container, ns. The recording says a coarser one where all stamps are multiples of it.
    pub log_step_ns: f64,
    /// Connection intervals in force.
    pub interval: IntervalSeen,
    /// Events that lie outside the time of the packets.
    pub events_outside: usize,
    /// Names of the files written, in the order of writing.
    pub files: Vec<String>,
    /// What was passed over while reading the events.
    pub notes: Vec<Note>,
}

/// Packets from which on a step common to all stamps is no chance.
const ENOUGH_FOR_STEP: usize = 100;

/// Makes a recording folder of a log. `say` hears what is being done.
///
/// # Errors
/// See [`CaptureError`]; nothing is then left behind. The folder may exist; older files of the same names are replaced.
///
/// # Cost
/// Two passes over the log, and one for each array file. Memory: the columns of [`Packets`].
pub fn unpack(
    request: &Request<'_>,
    out: &Path,
    say: &dyn Fn(&'static str),
) -> Result<Unpacked, CaptureError> {
    let Request { log, layout, .. } = *request;
    say("looking through the log");
    let survey = survey(log)?;
    let peers = choose(request, &survey)?;
    say("reading packets");
    let read = read_packets(request, &peers)?;
    let mut recording = Recording {
        description: layout.description.clone(),
        packets: read.packets,
        events: Vec::new(),
        exchanges: Vec::new(),
        markers: Vec::new(),
        truth: None,
        notes: Vec::new(),
    };
    let clock = &mut recording.description.host_clock;
    clock.resolution_ns = clock.resolution_ns.max(read.resolution_ns);
    if let IntervalSeen::One(interval_ms) = read.interval {
        recording.description.link.connection_interval_ms.get_or_insert(interval_ms);
    }
    let mut notes = Vec::new();
    let mut events_outside = 0;
    if let Some(path) = request.events {
        recording.events = read_events_file(path, &mut notes)?;
        events_outside = outside(path, &recording.events, recording.packets.host_ns())?;
    }
    say("writing");
    let mut files = Vec::new();
    let mut output = OutputFolder::open(out)?;
    files.extend(write_into(&mut output, &recording)?.iter().map(|name| (*name).to_owned()));
    output.write("layout.toml", |out| out.write_all(request.layout_text.as_bytes()))?;
    files.push("layout.toml".to_owned());
    for (place, (stream, described)) in read.streams.iter().zip(&layout.packets).enumerate() {
        let Some((numbers, shape)) = stream.array else { continue };
        let name = format!("{}.npy", stream.name);
        say("writing samples");
        // The log's fault, where there is one, is the one to tell.
        let mut fault = None;
        let written = output.write(&name, |out| {
            let mut writer = NpyWriter::begin(out, numbers, shape)?;
            let mut left = shape[0];
            let mut row = Vec::new();
            let mut refused = None;
            let [_, most, _] = shape;
            let outcome = scan(log, |value| {
                if left == 0 {
                    return Ok(false);
                }
                if wanted(layout, place, &peers, value) {
                    let stream = &layout.description.streams[place];
                    let samples = described
                        .samples(value.bytes, stream)
                        .map_err(|misfit| broken(log, value, misfit.found, misfit.expected))?;
                    row.clear();
                    // It was found to fit when it was counted.
                    described.write_samples(value.bytes, samples, most as u16, &mut row);
                    if let Err(error) = writer.write(&row) {
                        refused = Some(error);
                        return Ok(false);
                    }
                    left -= 1;
                }
                Ok(true)
            });
            match outcome {
                Ok(_) => refused.map_or_else(|| writer.finish(), Err),
                Err(error) => {
                    fault = Some(error);
                    Err(io::Error::other("the log could not be read again"))
                }
            }
        });
        if let Some(fault) = fault {
            return Err(fault);
        }
        written?;
        files.push(name);
    }
    output.commit()?;
    Ok(Unpacked {
        survey,
        peers,
        recording,
        streams: read.streams,
        others: read.others,
        backwards: read.backwards,
        log_step_ns: read.log_step_ns,
        interval: read.interval,
        events_outside,
        files,
        notes,
    })
}

fn broken(log: &Path, value: &Value<'_>, found: String, expected: String) -> CaptureError {
    Broken { log: log.display().to_string(), byte: value.byte, found, expected }.into()
}

/// True for a value that is a packet of the stream at this place.
fn wanted(layout: &Layout, place: usize, peers: &[Peer], value: &Value<'_>) -> bool {
    value.received
        && layout
            .packets
            .get(place)
            .is_some_and(|packet| packet.handle == value.attribute && packet.selects(value.bytes))
        && peers.contains(&value.peer)
}

/// The devices whose values are taken.
fn choose(request: &Request<'_>, survey: &Survey) -> Result<Vec<Peer>, CaptureError> {
    let log = || request.log.display().to_string();
    let handles: BTreeSet<u16> = request.layout.packets.iter().map(|packet| packet.handle).collect();
    let named: Vec<String> = handles.iter().map(|handle| format!("0x{handle:04X}")).collect();
    let named = format!("{} {}", if named.len() == 1 { "handle" } else { "handles" }, named.join(", "));
    let mut candidates: BTreeMap<Peer, u64> = BTreeMap::new();
    for seen in survey.characteristics.iter().filter(|seen| seen.received && handles.contains(&seen.handle)) {
        *candidates.entry(seen.peer).or_default() += seen.values();
    }
    let listed = || {
        let all: Vec<String> =
            candidates.iter().map(|(peer, values)| format!("{peer} ({values} values)")).collect();
        all.join(", ")
    };
    if candidates.is_empty() {
        let sent = survey.characteristics.iter().any(|seen| handles.contains(&seen.handle));
        let found = match (sent, survey.characteristics.is_empty()) {
            (true, _) => format!("values of the {named} only as sent by this host"),
            (false, true) => "no notification and no indication at all".to_owned(),
            (false, false) => format!("no value of the {named}"),
        };
        let expected =
            "notifications or indications received (without --layout the log is listed)".to_owned();
        return Err(CaptureError::Nothing { log: log(), found, expected });
    }
    if request.peers.is_empty() {
        if candidates.len() > 1 {
            let expected = format!(
                "one that sends values of the {named}; name it with --peer, or several times where they are one device"
            );
            return Err(CaptureError::Choice {
                log: log(),
                found: format!("the devices {}", listed()),
                expected,
            });
        }
        return Ok(candidates.into_keys().collect());
    }
    let missing = request.peers.iter().position(|choice| !candidates.keys().any(|peer| choice.means(*peer)));
    if let Some(missing) = missing {
        let found = format!("values of the {named} only from {}", listed());
        let expected = format!("some from the device of --peer number {}", missing + 1);
        return Err(CaptureError::Choice { log: log(), found, expected });
    }
    Ok(candidates.into_keys().filter(|peer| request.peers.iter().any(|choice| choice.means(*peer))).collect())
}

/// What the values of the chosen devices say.
struct PacketsRead {
    packets: Packets<'static>,
    streams: Vec<StreamUnpacked>,
    others: BTreeMap<usize, u64>,
    backwards: u64,
    interval: IntervalSeen,
    log_step_ns: f64,
    resolution_ns: f64,
}

fn read_packets(request: &Request<'_>, peers: &[Peer]) -> Result<PacketsRead, CaptureError> {
    let Request { log, layout, .. } = *request;
    let clock = &layout.description.device_clock;
    let mut streams: Vec<StreamUnpacked> = Vec::new();
    for (stream, packet) in layout.description.streams.iter().zip(&layout.packets) {
        streams.push(StreamUnpacked {
            name: stream.name.clone(),
            handle: packet.handle,
            packets: 0,
            samples: 0,
            span_ns: (0, 0),
            array: None,
            unit: packet.samples.as_ref().and_then(|samples| samples.unit.clone()),
        });
    }
    let mut most = vec![0_u16; streams.len()];
    let mut packets = Packets::default();
    let mut others = BTreeMap::new();
    let mut backwards = 0;
    let mut intervals: BTreeSet<Option<u16>> = BTreeSet::new();
    let mut resolution_ns = 1.0_f64;
    // A clock that is read in coarser steps than it is written in shows by noughts at the end of every stamp.
    let mut noughts = 1_000_000_000_i64;
    let mut before_ns = i64::MIN;
    scan(log, |value| {
        if !value.received || !peers.contains(&value.peer) {
            return Ok(true);
        }
        let (mut of_layout, mut taken) = (false, false);
        for (place, packet) in layout.packets.iter().enumerate() {
            if packet.handle != value.attribute {
                continue;
            }
            of_layout = true;
            if !packet.selects(value.bytes) {
                continue;
            }
            taken = true;
            let read = packet
                .read(value.bytes, clock, &layout.description.streams[place])
                .map_err(|misfit| broken(log, value, misfit.found, misfit.expected))?;
            packets.push(Packet {
                host_ns: value.host_ns,
                // A description has at most 255 streams.
                stream: place as u8,
                sequence: read.sequence,
                tick: read.tick,
                samples: read.samples,
            });
            let stream = &mut streams[place];
            if stream.packets == 0 {
                stream.span_ns.0 = value.host_ns;
            }
            stream.span_ns.1 = value.host_ns;
            stream.packets += 1;
            stream.samples += u64::from(read.samples);
            most[place] = most[place].max(read.samples);
        }
        if taken {
            intervals.insert(value.interval);
            resolution_ns = resolution_ns.max(value.resolution_ns);
            while value.host_ns % noughts != 0 {
                noughts /= 10;
            }
            backwards += u64::from(value.host_ns < before_ns);
            before_ns = value.host_ns;
        } else if of_layout {
            let length = value.bytes.len();
            if others.len() < super::MOST_LENGTHS || others.contains_key(&length) {
                *others.entry(length).or_default() += 1;
            }
        }
        Ok(true)
    })?;
    if packets.is_empty() {
        let lengths: Vec<String> =
            others.iter().map(|(length, count)| format!("{count} of {length} bytes")).collect();
        return Err(CaptureError::Nothing {
            log: log.display().to_string(),
            found: format!("values of other lengths or kinds only: {}", lengths.join(", ")),
            expected: "some that `bytes` and `when` of the layout let through".to_owned(),
        });
    }
    let log_step_ns = resolution_ns;
    if packets.len() >= ENOUGH_FOR_STEP {
        resolution_ns = resolution_ns.max(noughts as f64);
    }
    for ((stream, packet), most) in streams.iter_mut().zip(&layout.packets).zip(most) {
        let channels = packet.samples.as_ref().map_or(0, |samples| usize::from(samples.channels));
        let size = if most == 0 { 1 } else { usize::from(most) };
        stream.array = packet.numbers().map(|numbers| (numbers, [stream.packets as usize, size, channels]));
    }
    let known: Vec<f64> = intervals.iter().flatten().map(|units| f64::from(*units) * 1.25).collect();
    let interval = match known.as_slice() {
        [] => IntervalSeen::Unknown,
        [one] if intervals.len() == 1 => IntervalSeen::One(*one),
        [_] => IntervalSeen::Unknown,
        _ => IntervalSeen::Several(known),
    };
    Ok(PacketsRead { packets, streams, others, backwards, interval, log_step_ns, resolution_ns })
}

/// How many events lie outside the time of the packets. All of them do where they are of another clock, and that is refused.
fn outside(path: &Path, events: &[Event], host_ns: &[i64]) -> Result<usize, CaptureError> {
    let (Some(first_ns), Some(last_ns)) = (host_ns.iter().min(), host_ns.iter().max()) else { return Ok(0) };
    let outside = events.iter().filter(|event| !(first_ns..=last_ns).contains(&&event.host_ns)).count();
    match events.first() {
        Some(event) if outside == events.len() => Err(CaptureError::Nothing {
            log: path.display().to_string(),
            found: format!(
                "no event between the first packet and the last, {first_ns} and {last_ns} ns, but one at {}",
                event.host_ns
            ),
            expected: "stamps of the clock that the log is stamped with, in ns".to_owned(),
        }),
        _ => Ok(outside),
    }
}
