//! From records to whole L2CAP packets of known devices: connections are followed, fragments put together.
//!
//! Formats of the Bluetooth Core Specification 5.4: HCI packets (Vol 4 Part E 5.4), the events of connections (7.7.3, 7.7.5,
//! 7.7.65.1, .3, .10, .35), fragments (Vol 3 Part A 7.2.1), the fixed channel of the attribute protocol (Vol 3 Part A 2.1).

use std::collections::HashMap;
use std::fmt;

use super::container::{Dropped, Link, Record};

/// The L2CAP channel of the attribute protocol.
const ATTRIBUTE_CHANNEL: u16 = 0x0004;

/// A device at the other end of a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Peer {
    /// Known by the address that its connection was made with.
    Address {
        /// The six octets, in the order in which an address is written.
        octets: [u8; 6],
        /// False for a public address, true for a random one.
        random: bool,
    },
    /// Connected before the log began, so that nothing but the connection's handle is known.
    Handle {
        /// Which adapter of the phone or computer.
        adapter: u32,
        /// The connection handle.
        handle: u16,
    },
}

impl fmt::Display for Peer {
    /// The text by which `--peer` chooses it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Address { octets: [a, b, c, d, e, g], .. } => {
                write!(f, "{a:02X}:{b:02X}:{c:02X}:{d:02X}:{e:02X}:{g:02X}")
            }
            Self::Handle { adapter: 0, handle } => write!(f, "0x{handle:04X}"),
            Self::Handle { adapter, handle } => write!(f, "0x{handle:04X}@{adapter}"),
        }
    }
}

/// Things that were left out: how many, and where the first of them stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LeftOut {
    /// How many.
    pub count: u64,
    /// Where the first is, bytes from the start of the log; 0 where there is none.
    pub first_byte: u64,
}

impl LeftOut {
    pub(crate) fn add(&mut self, byte: u64) {
        if self.count == 0 {
            self.first_byte = byte;
        }
        self.count += 1;
    }
}

/// What the log could not give, although it is no broken file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Gaps {
    /// Records of which the writer kept a part only.
    pub truncated: LeftOut,
    /// Packets of which a fragment is missing.
    pub incomplete: LeftOut,
    /// Fragments whose first one is missing.
    pub headless: LeftOut,
    /// Packets whose lengths contradict each other.
    pub contradictory: LeftOut,
    /// Packets that the writer of the log says it lost.
    pub dropped: u64,
}

/// One connection, from its beginning or the log's to its end.
#[derive(Clone, Copy, Debug)]
struct Connection {
    peer: Peer,
    /// Units of 1.25 ms; `None` where nobody said it, or where subrating makes another one of it.
    interval: Option<u16>,
}

/// A packet that is being put together.
struct Open {
    /// Payload of all fragments so far, the L2CAP header included.
    bytes: Vec<u8>,
    /// Length that the header asks for, itself included; `None` until there is a header.
    whole: Option<usize>,
}

/// One direction of one connection: adapter, handle, received.
type Way = (u32, u16, bool);

/// What is behind the log: adapters, their connections, and packets in the making.
#[derive(Default)]
pub(crate) struct Host {
    connections: HashMap<(u32, u16), Connection>,
    open: HashMap<Way, Open>,
    gaps: Gaps,
    dropped_before: u32,
    made: u64,
}

/// A packet of the attribute protocol, put together.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Attribute<'a> {
    pub(crate) peer: Peer,
    pub(crate) handle: u16,
    pub(crate) received: bool,
    pub(crate) interval: Option<u16>,
    pub(crate) bytes: &'a [u8],
}

/// What a record holds.
enum Packet<'a> {
    Data { adapter: u32, received: Option<bool>, bytes: &'a [u8] },
    Event { adapter: u32, bytes: &'a [u8] },
    Other,
}

/// A packet that is no such thing, told from the record's packet on.
pub(crate) struct Unfit {
    pub(crate) found: String,
    pub(crate) expected: &'static str,
}

impl Host {
    pub(crate) fn gaps(&self) -> &Gaps {
        &self.gaps
    }

    /// Connections whose beginning the log has.
    pub(crate) fn made(&self) -> u64 {
        self.made
    }

    /// Takes in one record and hands on the attribute packet that it completes, if it does.
    pub(crate) fn observe<T>(
        &mut self,
        record: &Record<'_>,
        take: impl FnOnce(Attribute<'_>) -> T,
    ) -> Result<Option<T>, Unfit> {
        let lost = match record.dropped {
            Dropped::SinceLast(count) => count,
            Dropped::SinceBeginning(count) => {
                // A counter that goes back was begun anew.
                let lost = count.saturating_sub(self.dropped_before);
                self.dropped_before = count;
                lost
            }
        };
        if lost > 0 {
            // Any packet in the making may lack a fragment now, and would take another's for its own.
            self.gaps.dropped += u64::from(lost);
            self.abandon(record.byte, |_| true);
        }
        let packet = packet_of(record)?;
        if !record.whole {
            self.truncated(record.byte, &packet);
            return Ok(None);
        }
        match packet {
            Packet::Other => Ok(None),
            Packet::Event { adapter, bytes } => self.event(record.byte, adapter, bytes).map(|()| None),
            Packet::Data { adapter, received, bytes } => {
                self.data(record.byte, adapter, received, bytes, take)
            }
        }
    }

    /// Gives up packets in the making.
    fn abandon(&mut self, byte: u64, which: impl Fn(&Way) -> bool) {
        let gaps = &mut self.gaps;
        self.open.retain(|way, _| {
            let gone = which(way);
            if gone {
                gaps.incomplete.add(byte);
            }
            !gone
        });
    }

    fn truncated(&mut self, byte: u64, packet: &Packet<'_>) {
        self.gaps.truncated.add(byte);
        // The rest of what it belongs to is of no use.
        if let Packet::Data { adapter, received, bytes } = packet {
            let handle = number(bytes, 0).map(|word| word & 0x0fff);
            self.abandon(byte, |way| {
                way.0 == *adapter
                    && handle.is_none_or(|handle| handle == way.1)
                    && received.is_none_or(|received| received == way.2)
            });
        }
    }

    fn event(&mut self, byte: u64, adapter: u32, bytes: &[u8]) -> Result<(), Unfit> {
        let (code, parameters) = match bytes {
            [code, length, parameters @ ..] if parameters.len() == usize::from(*length) => {
                (*code, parameters)
            }
            [_, length, parameters @ ..] => {
                let found = format!("an event of {length} bytes with {} behind its header", parameters.len());
                return Err(Unfit { found, expected: "as many as it says" });
            }
            _ => {
                return Err(Unfit {
                    found: format!("an event of {} bytes", bytes.len()),
                    expected: "at least 2",
                });
            }
        };
        match (code, parameters) {
            // Connection Complete, of the classic kind.
            (0x03, [0, rest @ ..]) => self.connected(byte, adapter, rest, 2, false, None),
            // Disconnection Complete.
            (0x05, [0, rest @ ..]) => {
                if let Some(handle) = number(rest, 0) {
                    self.ended(byte, adapter, handle & 0x0fff);
                }
            }
            // LE Connection Complete: handle, role, kind of address, address, interval.
            (0x3e, [0x01, 0, rest @ ..]) => {
                let random = rest.get(3).is_some_and(|kind| kind & 1 == 1);
                self.connected(byte, adapter, rest, 4, random, number(rest, 10));
            }
            // LE Enhanced Connection Complete, both versions: two more addresses before the interval.
            (0x3e, [0x0a | 0x29, 0, rest @ ..]) => {
                let random = rest.get(3).is_some_and(|kind| kind & 1 == 1);
                self.connected(byte, adapter, rest, 4, random, number(rest, 22));
            }
            // LE Connection Update Complete: handle, interval.
            (0x3e, [0x03, 0, rest @ ..]) => {
                if let (Some(handle), Some(interval)) = (number(rest, 0), number(rest, 2)) {
                    self.retimed(adapter, handle & 0x0fff, Some(interval));
                }
            }
            // LE Subrate Change: handle, factor. Not every event is used from then on.
            (0x3e, [0x23, 0, rest @ ..]) => {
                if let (Some(handle), Some(factor)) = (number(rest, 0), number(rest, 2))
                    && factor != 1
                {
                    self.retimed(adapter, handle & 0x0fff, None);
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn connected(
        &mut self,
        byte: u64,
        adapter: u32,
        rest: &[u8],
        address_at: usize,
        random: bool,
        interval: Option<u16>,
    ) {
        let (Some(handle), Some(address)) = (number(rest, 0), rest.get(address_at..address_at + 6)) else {
            return;
        };
        let mut octets = [0; 6];
        octets.iter_mut().zip(address.iter().rev()).for_each(|(to, from)| *to = *from);
        let handle = handle & 0x0fff;
        self.ended(byte, adapter, handle);
        let peer = Peer::Address { octets, random };
        self.connections.insert((adapter, handle), Connection { peer, interval });
        self.made += 1;
    }

    fn ended(&mut self, byte: u64, adapter: u32, handle: u16) {
        self.connections.remove(&(adapter, handle));
        self.abandon(byte, |way| (way.0, way.1) == (adapter, handle));
    }

    fn retimed(&mut self, adapter: u32, handle: u16, interval: Option<u16>) {
        self.connection(adapter, handle).interval = interval;
    }

    fn connection(&mut self, adapter: u32, handle: u16) -> &mut Connection {
        let unknown = Connection { peer: Peer::Handle { adapter, handle }, interval: None };
        self.connections.entry((adapter, handle)).or_insert(unknown)
    }

    fn data<T>(
        &mut self,
        byte: u64,
        adapter: u32,
        received: Option<bool>,
        bytes: &[u8],
        take: impl FnOnce(Attribute<'_>) -> T,
    ) -> Result<Option<T>, Unfit> {
        let (Some(word), Some(length), Some(fragment)) = (number(bytes, 0), number(bytes, 2), bytes.get(4..))
        else {
            return Err(Unfit {
                found: format!("a data packet of {} bytes", bytes.len()),
                expected: "at least 4",
            });
        };
        if fragment.len() != usize::from(length) {
            let found = format!("a data packet of {length} bytes with {} behind its header", fragment.len());
            return Err(Unfit { found, expected: "as many as it says" });
        }
        let (handle, boundary) = (word & 0x0fff, word >> 12 & 3);
        let begins = boundary != 1;
        let received = received.unwrap_or_else(|| {
            // Where the log does not say it: a host begins packets with 00, a controller with 10. What goes on belongs to what is open.
            if begins { boundary != 0 } else { self.open.contains_key(&(adapter, handle, true)) }
        });
        let way = (adapter, handle, received);
        let mut open = self.open.remove(&way);
        if begins {
            if open.take().is_some() {
                self.gaps.incomplete.add(byte);
            }
            // Most packets come in one piece, and nothing is copied then.
            if whole_length(fragment) == Some(fragment.len()) {
                return Ok(self.attribute(way, fragment, take));
            }
            open = Some(Open { bytes: Vec::with_capacity(fragment.len() * 2), whole: None });
        }
        let Some(mut open) = open else {
            self.gaps.headless.add(byte);
            return Ok(None);
        };
        open.bytes.extend_from_slice(fragment);
        open.whole = open.whole.or_else(|| whole_length(&open.bytes));
        match open.whole {
            Some(whole) if open.bytes.len() == whole => Ok(self.attribute(way, &open.bytes, take)),
            Some(whole) if open.bytes.len() > whole => {
                self.gaps.contradictory.add(byte);
                Ok(None)
            }
            _ => {
                self.open.insert(way, open);
                Ok(None)
            }
        }
    }

    fn attribute<T>(&mut self, way: Way, whole: &[u8], take: impl FnOnce(Attribute<'_>) -> T) -> Option<T> {
        let (adapter, handle, received) = way;
        let Connection { peer, interval } = *self.connection(adapter, handle);
        (number(whole, 2) == Some(ATTRIBUTE_CHANNEL)).then(|| {
            take(Attribute { peer, handle, received, interval, bytes: whole.get(4..).unwrap_or_default() })
        })
    }

    /// Counts packets that the end of the log cuts off.
    pub(crate) fn finish(&mut self, byte: u64) {
        self.abandon(byte, |_| true);
    }

    pub(crate) fn contradictory(&mut self, byte: u64) {
        self.gaps.contradictory.add(byte);
    }
}

/// Length of an L2CAP packet, its header included, as its header says.
fn whole_length(bytes: &[u8]) -> Option<usize> {
    if bytes.len() < 4 { None } else { number(bytes, 0).map(|length| usize::from(length) + 4) }
}

/// A number of 16 bits, little-endian as all of HCI.
pub(crate) fn number(bytes: &[u8], at: usize) -> Option<u16> {
    let pair = bytes.get(at..at + 2)?;
    Some(u16::from_le_bytes([pair[0], pair[1]]))
}

/// What a record holds, by the link that it is of.
fn packet_of<'a>(record: &Record<'a>) -> Result<Packet<'a>, Unfit> {
    let Record { link, interface, flags, received, data, whole, .. } = *record;
    let short = |least: &'static str| {
        // Of a packet that was cut nothing can be asked.
        if whole {
            Err(Unfit { found: format!("a record of {} bytes", data.len()), expected: least })
        } else {
            Ok(Packet::Other)
        }
    };
    match link {
        Link::Bare => Ok(match flags & 2 {
            0 => Packet::Data { adapter: interface, received: Some(flags & 1 == 1), bytes: data },
            _ if flags & 1 == 1 => Packet::Event { adapter: interface, bytes: data },
            _ => Packet::Other,
        }),
        Link::Uart => {
            let Some((&kind, bytes)) = data.split_first() else {
                return short("at least the indicator octet");
            };
            Ok(by_indicator(kind, interface, received, bytes))
        }
        Link::DirectedUart => match data {
            [a, b, c, d, kind, bytes @ ..] => {
                let direction = u32::from_be_bytes([*a, *b, *c, *d]);
                Ok(by_indicator(*kind, interface, Some(direction & 1 == 1), bytes))
            }
            _ => short("at least 5: direction and indicator"),
        },
        Link::Monitor => match data {
            [a, b, c, d, bytes @ ..] => {
                // The adapter of one interface is another than the same number at another one.
                let adapter = u32::from(u16::from_be_bytes([*a, *b])) | (interface & 0xffff) << 16;
                Ok(by_opcode(u16::from_be_bytes([*c, *d]), adapter, bytes))
            }
            _ => short("at least 4: adapter and opcode"),
        },
        Link::BareMonitor => Ok(by_opcode((flags & 0xffff) as u16, flags >> 16, data)),
    }
}

fn by_indicator(kind: u8, adapter: u32, received: Option<bool>, bytes: &[u8]) -> Packet<'_> {
    match kind {
        2 => Packet::Data { adapter, received, bytes },
        4 => Packet::Event { adapter, bytes },
        _ => Packet::Other,
    }
}

fn by_opcode(opcode: u16, adapter: u32, bytes: &[u8]) -> Packet<'_> {
    match opcode {
        3 => Packet::Event { adapter, bytes },
        4 | 5 => Packet::Data { adapter, received: Some(opcode == 5), bytes },
        _ => Packet::Other,
    }
}
