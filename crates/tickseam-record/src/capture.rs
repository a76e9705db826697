//! Bluetooth captures: from the log of a phone or a computer to a recording folder.
//!
//! A **btsnoop** log, or a **pcap** or **pcapng** capture with the link types 187 (HCI, UART transport), 201 (the same with its direction) or 254
//! (Linux monitor), holds what the host heard from its Bluetooth controller, each packet with the host's stamp. [`survey`] tells what is in one;
//! [`unpack`] makes a recording of it by a [`Layout`]: where in the notifications the numbers stand ([`layout`] has the keys, with an example).
//!
//! `log → records → packets of connections → values of attributes → packets of streams → recording`, one direction; the log is read in pieces, once
//! to see what is in it, once for `packets.csv` and once for each `<stream>.npy`, so that memory holds no more than the columns of [`Packets`](crate::Packets),
//! unfinished packets, and a little for each device and characteristic seen.
//!
//! # What a stamp is
//! `host_ns` is the stamp of the record that completes a value (its last fragment), in nanoseconds of Unix time, on the clock that the log was stamped
//! with. On a phone that is its wall clock, which can be set: a recording has to have its events on **this** clock. Stamps that go backwards stay as they
//! are. A sniffer's log (link types 251 and 256) is refused: its clock is the sniffer's, on which no event of the phone happened.
//!
//! # What is left out, and what is refused
//! Left out and counted: records that the writer cut short; a last record that the log breaks off in; packets of which a fragment is missing; packets
//! whose own lengths contradict each other; values that were sent, not received; values of another length, or with another number, than the layout
//! says. Refused, with the byte in the log: everything else that breaks the file's format, HCI packets that are not as long as they say, and values that do
//! not hold what the layout reads from them.
//!
//! Only the fixed channel of the attribute protocol is followed (L2CAP channel 4), not its enhanced bearers.

mod att;
mod container;
mod fault;
mod guess;
mod hci;
pub mod layout;
mod recorded;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs::File;
use std::io;
use std::path::Path;

pub use att::Sending;
pub use container::Container;
pub use fault::{Broken, CaptureError};
pub use guess::{Counter, Guess};
pub use hci::{Gaps, LeftOut, Peer};
pub use layout::Layout;
pub use recorded::{Choice, IntervalSeen, Request, StreamUnpacked, Unpacked, unpack};

use container::Log;
use hci::Host;

/// One value that a device sent unasked.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Value<'a> {
    /// Where the record that completes it begins.
    byte: u64,
    host_ns: i64,
    resolution_ns: f64,
    peer: Peer,
    /// The connection's handle.
    connection: u16,
    received: bool,
    sending: Sending,
    /// The attribute's handle.
    attribute: u16,
    /// Connection interval, units of 1.25 ms.
    interval: Option<u16>,
    bytes: &'a [u8],
}

/// What a pass over a log leaves, values apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Pass {
    /// Which file it is.
    pub container: Container,
    /// What its records hold.
    pub content: &'static str,
    /// Records, those left out included.
    pub records: u64,
    /// Stamps of the first and the last record, nanoseconds of Unix time.
    pub span_ns: Option<(i64, i64)>,
    /// Where the log breaks off within a record, bytes from its start.
    pub torn_at: Option<u64>,
    /// Records of other link types than Bluetooth's.
    pub other_links: u64,
    /// Records without a stamp.
    pub unstamped: u64,
    /// Connections whose beginning the log has.
    pub connections_made: u64,
    /// What the log could not give.
    pub gaps: Gaps,
}

/// Reads a log and hands on each value, until `take` answers false.
fn scan(
    path: &Path,
    mut take: impl FnMut(&Value<'_>) -> Result<bool, CaptureError>,
) -> Result<Pass, CaptureError> {
    let io = |source| CaptureError::Io { path: path.to_path_buf(), source };
    let nothing = |found: &str| CaptureError::Nothing {
        log: path.display().to_string(),
        found: found.to_owned(),
        expected: "a log".to_owned(),
    };
    // A named pipe can be read once only.
    match std::fs::metadata(path) {
        Ok(kind) if kind.is_file() => {}
        Ok(_) => return Err(nothing("no regular file")),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Err(nothing("no such file")),
        Err(source) => return Err(io(source)),
    }
    let mut log = Log::open(File::open(path).map_err(io)?, path.to_path_buf())?;
    let mut host = Host::default();
    let mut records = 0;
    let mut span_ns = None;
    let mut more = true;
    while more {
        let Some(record) = log.next()? else { break };
        records += 1;
        let first_ns = span_ns.map_or(record.host_ns, |(first_ns, _)| first_ns);
        span_ns = Some((first_ns, record.host_ns));
        let outcome = host.observe(&record, |packet| {
            att::values(packet.bytes, |sending, attribute, bytes| {
                let value = Value {
                    byte: record.byte,
                    host_ns: record.host_ns,
                    resolution_ns: record.resolution_ns,
                    peer: packet.peer,
                    connection: packet.handle,
                    received: packet.received,
                    sending,
                    attribute,
                    interval: packet.interval,
                    bytes,
                };
                if more {
                    more = take(&value)?;
                }
                Ok(())
            })
        });
        match outcome {
            Err(unfit) => {
                let log = path.display().to_string();
                let (found, expected) = (unfit.found, unfit.expected.to_owned());
                return Err(Broken { log, byte: record.byte, found, expected }.into());
            }
            Ok(None | Some(Ok(true))) => {}
            Ok(Some(Ok(false))) => host.contradictory(record.byte),
            Ok(Some(Err(error))) => return Err(error),
        }
    }
    host.finish(log.bytes());
    if records == 0 {
        let (found, expected) = match log.only_other_links() {
            Some(other) if log.other_links() > 0 => (other, "HCI packets: link type 187, 201 or 254"),
            _ => ("no record".to_owned(), "packets in it"),
        };
        let log = path.display().to_string();
        return Err(CaptureError::Nothing { log, found, expected: expected.to_owned() });
    }
    Ok(Pass {
        container: log.container(),
        content: log.content(),
        records,
        span_ns,
        torn_at: log.torn_at(),
        other_links: log.other_links(),
        unstamped: log.unstamped(),
        connections_made: host.made(),
        gaps: *host.gaps(),
    })
}

/// A characteristic of which values were seen.
#[derive(Clone, Debug)]
pub struct Characteristic {
    /// The device at the other end.
    pub peer: Peer,
    /// The attribute's handle.
    pub handle: u16,
    /// False where this host sent them.
    pub received: bool,
    /// Handles of the connections that they came over.
    pub connections: BTreeSet<u16>,
    /// Values that came as notifications.
    pub notifications: u64,
    /// Values that came as indications.
    pub indications: u64,
    /// How many there were of each length in bytes; of the first 64 lengths seen.
    pub lengths: BTreeMap<usize, u64>,
    /// Stamps of the first and the last value, nanoseconds of Unix time.
    pub span_ns: (i64, i64),
    /// Counters that seem to stand in the values.
    pub guess: Guess,
}

impl Characteristic {
    /// How many values there were.
    pub fn values(&self) -> u64 {
        self.notifications + self.indications
    }

    /// Values a second between the first and the last; `None` where there is no time between them.
    pub fn per_s(&self) -> Option<f64> {
        let span_s = (self.span_ns.1.saturating_sub(self.span_ns.0)) as f64 / 1e9;
        (span_s > 0.0).then(|| self.values().saturating_sub(1) as f64 / span_s)
    }
}

/// What is in a log.
#[derive(Clone, Debug)]
pub struct Survey {
    /// The log as a whole.
    pub pass: Pass,
    /// The characteristics seen, by device and handle.
    pub characteristics: Vec<Characteristic>,
}

/// Different lengths of values that are counted for a characteristic.
const MOST_LENGTHS: usize = 64;

/// Looks through a log: which device sends what, how much and how often.
///
/// # Cost
/// One pass over the log, with memory for the devices and characteristics seen.
pub fn survey(log: &Path) -> Result<Survey, CaptureError> {
    let mut places: HashMap<(Peer, u16, bool), usize> = HashMap::new();
    let mut characteristics: Vec<Characteristic> = Vec::new();
    let pass = scan(log, |value| {
        let place = *places.entry((value.peer, value.attribute, value.received)).or_insert_with(|| {
            characteristics.push(Characteristic {
                peer: value.peer,
                handle: value.attribute,
                received: value.received,
                connections: BTreeSet::new(),
                notifications: 0,
                indications: 0,
                lengths: BTreeMap::new(),
                span_ns: (value.host_ns, value.host_ns),
                guess: Guess::default(),
            });
            characteristics.len() - 1
        });
        let Some(seen) = characteristics.get_mut(place) else { return Ok(true) };
        seen.connections.insert(value.connection);
        match value.sending {
            Sending::Notification => seen.notifications += 1,
            Sending::Indication => seen.indications += 1,
        }
        let length = value.bytes.len();
        if seen.lengths.len() < MOST_LENGTHS || seen.lengths.contains_key(&length) {
            *seen.lengths.entry(length).or_default() += 1;
        }
        seen.span_ns.1 = value.host_ns;
        seen.guess.observe(value.host_ns, value.bytes);
        Ok(true)
    })?;
    characteristics.sort_by_key(|seen| (seen.peer, seen.handle, seen.received));
    Ok(Survey { pass, characteristics })
}
