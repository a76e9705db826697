//! Records of a log, whatever file they are kept in: btsnoop, pcap or pcapng.
//!
//! Read in pieces with bounded memory. Where each fact comes from:
//! - **btsnoop**: derived from the snoop format of RFC 1761, all numbers big-endian. Its stamps are microseconds since midnight of
//!   January 1st of the year 0; the format's own description fixes the calendar by giving January 1st 2000 as 0x00E03AB44A676000.
//!   The kinds of record (1001, 1002, 2001) and the meaning of their flags are those of the public writers and readers of that format.
//! - **pcap**: draft-ietf-opsawg-pcap, **pcapng**: draft-ietf-opsawg-pcapng, the link types: the public registry of link-layer
//!   header types (187, 201, 254 are read here).

use std::io::{ErrorKind, Read};
use std::path::PathBuf;

use super::fault::{Broken, CaptureError};

/// Longest record accepted, bytes. An HCI packet has at most 65 540, a pseudo-header a few more; doubling it doubles what a length
/// that was damaged can make the reader hold.
const LONGEST_RECORD_BYTES: u32 = 256 * 1024;

/// Bytes asked of the file at a time.
const PIECE_BYTES: usize = 256 * 1024;

/// January 1st 2000, midnight, in microseconds of a btsnoop log.
const BTSNOOP_YEAR_2000_US: i64 = 0x00E0_3AB4_4A67_6000;

/// January 1st 2000, midnight, in seconds of Unix time.
const UNIX_YEAR_2000_S: i64 = 946_684_800;

/// Which file a log is kept in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// What phones and `btmon` write.
    Btsnoop,
    /// The older format of general packet captures.
    Pcap,
    /// The newer one.
    Pcapng,
}

impl Container {
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Btsnoop => "btsnoop",
            Self::Pcap => "pcap",
            Self::Pcapng => "pcapng",
        }
    }
}

/// What is in front of the packet in each record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Link {
    /// Nothing: the flags of the record say what it is (btsnoop 1001).
    Bare,
    /// The indicator octet of the UART transport (btsnoop 1002, link type 187).
    Uart,
    /// A direction in 4 octets, then the indicator octet (link type 201).
    DirectedUart,
    /// Adapter and opcode in 4 octets (link type 254).
    Monitor,
    /// Adapter and opcode in the flags of the record (btsnoop 2001).
    BareMonitor,
}

impl Link {
    fn of_link_type(number: u32) -> Option<Self> {
        match number {
            187 => Some(Self::Uart),
            201 => Some(Self::DirectedUart),
            254 => Some(Self::Monitor),
            _ => None,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Bare => "bare HCI packets",
            Self::Uart => "HCI packets of the UART transport (H4)",
            Self::DirectedUart => "HCI packets with their direction",
            Self::Monitor | Self::BareMonitor => "records of the Linux Bluetooth monitor",
        }
    }
}

const EXPECTED_LINK: &str = "HCI packets: link type 187, 201 or 254";

fn other_link(number: u32) -> String {
    match number {
        251 | 256 => format!(
            "link type {number}, what a sniffer heard on the air: it carries the sniffer's clock, not the phone's, and counts \
             repetitions as packets"
        ),
        _ => format!("link type {number}"),
    }
}

/// One record of a log.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Record<'a> {
    /// Where it begins, bytes from the start of the log.
    pub(crate) byte: u64,
    /// Its stamp, nanoseconds of Unix time.
    pub(crate) host_ns: i64,
    /// Step of its stamps, nanoseconds.
    pub(crate) resolution_ns: f64,
    pub(crate) link: Link,
    /// Interface of a pcapng log, 0 elsewhere.
    pub(crate) interface: u32,
    /// Flags of a btsnoop record; 0 elsewhere.
    pub(crate) flags: u32,
    /// True for received, false for sent, where the container says it beside the packet.
    pub(crate) received: Option<bool>,
    /// Packets that the writer of the log lost before this one, counted from its beginning or, in pcapng, since the last one.
    pub(crate) dropped: Dropped,
    /// What was kept of the packet.
    pub(crate) data: &'a [u8],
    /// False where the packet was longer than what was kept.
    pub(crate) whole: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dropped {
    SinceBeginning(u32),
    SinceLast(u32),
}

#[derive(Clone, Copy)]
struct Interface {
    link: Option<Link>,
    link_type: u32,
    /// Stamps a second.
    per_s: u128,
    offset_s: i64,
}

enum Form {
    Btsnoop { link: Link },
    Pcap { big: bool, fraction_ns: u32, link: Link },
    Pcapng { big: bool, interfaces: Vec<Interface> },
}

/// A log that is being read.
pub(crate) struct Log<R> {
    input: R,
    path: PathBuf,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// Place of `start` in the file.
    at: u64,
    exhausted: bool,
    form: Form,
    /// Where the log breaks off in the middle of a record.
    torn_at: Option<u64>,
    /// Records whose link type is none of Bluetooth's.
    other_links: u64,
    /// Records that have no stamp (simple packet blocks).
    unstamped: u64,
}

/// A record whose bytes still lie in the buffer.
struct Found {
    host_ns: i64,
    resolution_ns: f64,
    link: Link,
    interface: u32,
    flags: u32,
    received: Option<bool>,
    dropped: Dropped,
    /// Place of the packet, counted from the record's beginning.
    data: std::ops::Range<usize>,
    whole: bool,
    /// Length of the whole record.
    length: usize,
}

enum Next {
    Record(Found),
    /// Something that is no packet and was passed over.
    Other,
    End,
}

impl<R: Read> Log<R> {
    /// Reads the file's header.
    pub(crate) fn open(input: R, path: PathBuf) -> Result<Self, CaptureError> {
        let mut log = Self {
            input,
            path,
            buffer: vec![0; PIECE_BYTES],
            start: 0,
            end: 0,
            at: 0,
            exhausted: false,
            form: Form::Btsnoop { link: Link::Uart },
            torn_at: None,
            other_links: 0,
            unstamped: 0,
        };
        log.form = log.header()?;
        Ok(log)
    }

    /// Which file it is.
    pub(crate) fn container(&self) -> Container {
        match self.form {
            Form::Btsnoop { .. } => Container::Btsnoop,
            Form::Pcap { .. } => Container::Pcap,
            Form::Pcapng { .. } => Container::Pcapng,
        }
    }

    /// What its records hold.
    pub(crate) fn content(&self) -> &'static str {
        match &self.form {
            Form::Btsnoop { link } | Form::Pcap { link, .. } => link.name(),
            Form::Pcapng { interfaces, .. } => {
                interfaces.iter().find_map(|interface| interface.link).map_or("nothing", Link::name)
            }
        }
    }

    pub(crate) fn torn_at(&self) -> Option<u64> {
        self.torn_at
    }

    pub(crate) fn other_links(&self) -> u64 {
        self.other_links
    }

    pub(crate) fn unstamped(&self) -> u64 {
        self.unstamped
    }

    /// Bytes passed so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.at
    }

    /// The next packet; `None` where the log ends, torn or whole.
    pub(crate) fn next(&mut self) -> Result<Option<Record<'_>>, CaptureError> {
        let found = loop {
            let next = match self.form {
                Form::Btsnoop { link } => self.next_of_btsnoop(link)?,
                Form::Pcap { big, fraction_ns, link } => self.next_of_pcap(big, fraction_ns, link)?,
                Form::Pcapng { big, .. } => self.next_of_pcapng(big)?,
            };
            match next {
                Next::Record(found) => break found,
                Next::Other => {}
                Next::End => return Ok(None),
            }
        };
        let byte = self.at;
        let start = self.start;
        self.pass(found.length);
        Ok(Some(Record {
            byte,
            host_ns: found.host_ns,
            resolution_ns: found.resolution_ns,
            link: found.link,
            interface: found.interface,
            flags: found.flags,
            received: found.received,
            dropped: found.dropped,
            data: &self.buffer[start + found.data.start..start + found.data.end],
            whole: found.whole,
        }))
    }

    fn broken(&self, within: u64, found: impl Into<String>, expected: impl Into<String>) -> CaptureError {
        let log = self.path.display().to_string();
        Broken { log, byte: self.at + within, found: found.into(), expected: expected.into() }.into()
    }

    fn held(&self) -> &[u8] {
        &self.buffer[self.start..self.end]
    }

    fn pass(&mut self, count: usize) {
        self.start += count;
        self.at += count as u64;
    }

    /// Sees to it that so many bytes are held; false where the file ends before.
    fn hold(&mut self, count: usize) -> Result<bool, CaptureError> {
        while self.end - self.start < count {
            if self.exhausted {
                return Ok(false);
            }
            if self.start > 0 {
                self.buffer.copy_within(self.start..self.end, 0);
                self.end -= self.start;
                self.start = 0;
            }
            if self.buffer.len() < count.max(PIECE_BYTES) {
                self.buffer.resize(count.max(PIECE_BYTES), 0);
            }
            match self.input.read(&mut self.buffer[self.end..]) {
                Ok(0) => self.exhausted = true,
                Ok(read) => self.end += read,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(source) => return Err(CaptureError::Io { path: self.path.clone(), source }),
            }
        }
        Ok(true)
    }

    /// Passes over bytes that need not be held; false where the file ends before.
    fn skip(&mut self, mut count: u64) -> Result<bool, CaptureError> {
        while count > 0 {
            if self.start == self.end && !self.hold(1)? {
                return Ok(false);
            }
            let step = count.min((self.end - self.start) as u64) as usize;
            self.pass(step);
            count -= step as u64;
        }
        Ok(true)
    }

    /// The log ends here, in the middle of something or not.
    fn end(&mut self) -> Next {
        if self.end > self.start {
            self.torn_at = Some(self.at);
            self.pass(self.end - self.start);
        }
        Next::End
    }

    fn header(&mut self) -> Result<Form, CaptureError> {
        const EXPECTED: &str = "a btsnoop, pcap or pcapng log";
        if !self.hold(4)? {
            return Err(self.broken(0, format!("{} bytes in all", self.held().len()), EXPECTED));
        }
        let first = word(self.held(), 0, true);
        match first {
            0x6274_736e => self.btsnoop_header(),
            0xa1b2_c3d4 => self.pcap_header(true, 1_000),
            0xd4c3_b2a1 => self.pcap_header(false, 1_000),
            0xa1b2_3c4d => self.pcap_header(true, 1),
            0x4d3c_b2a1 => self.pcap_header(false, 1),
            // The order of its bytes is found where the section is read.
            0x0a0d_0d0a => Ok(Form::Pcapng { big: false, interfaces: Vec::new() }),
            _ if first >> 16 == 0x1f8b => {
                Err(self.broken(0, "a file compressed by gzip", format!("{EXPECTED}: unpack it first")))
            }
            _ if first >> 16 == 0x504b => {
                Err(self.broken(0, "a zip archive", format!("{EXPECTED}: take it out first")))
            }
            _ => Err(self.broken(0, format!("a file that begins with {first:08x}"), EXPECTED)),
        }
    }

    fn btsnoop_header(&mut self) -> Result<Form, CaptureError> {
        if !self.hold(16)? {
            return Err(self.broken(
                0,
                format!("{} bytes in all", self.held().len()),
                "a btsnoop header of 16 bytes",
            ));
        }
        let held = self.held();
        if &held[..8] != b"btsnoop\0" {
            return Err(self.broken(0, crate::error::shown(&held[..8]), "\"btsnoop\\0\""));
        }
        let (version, kind) = (word(held, 8, true), word(held, 12, true));
        if version != 1 {
            return Err(self.broken(8, format!("version {version}"), "version 1"));
        }
        let link = match kind {
            1001 => Link::Bare,
            1002 => Link::Uart,
            2001 => Link::BareMonitor,
            _ => {
                return Err(self.broken(
                    12,
                    format!("records of the kind {kind}"),
                    "HCI packets: kind 1001, 1002 or 2001",
                ));
            }
        };
        self.pass(16);
        Ok(Form::Btsnoop { link })
    }

    fn pcap_header(&mut self, big: bool, fraction_ns: u32) -> Result<Form, CaptureError> {
        if !self.hold(24)? {
            return Err(self.broken(
                0,
                format!("{} bytes in all", self.held().len()),
                "a pcap header of 24 bytes",
            ));
        }
        let (major, kind) = (half(self.held(), 4, big), word(self.held(), 20, big));
        if major != 2 {
            return Err(self.broken(4, format!("version {major}"), "version 2"));
        }
        // The upper bits say how long a checksum is behind each packet; HCI packets have none.
        let link_type = kind & 0xffff;
        let Some(link) = Link::of_link_type(link_type) else {
            return Err(self.broken(20, other_link(link_type), EXPECTED_LINK));
        };
        self.pass(24);
        Ok(Form::Pcap { big, fraction_ns, link })
    }

    /// Checks the two lengths of a record.
    fn lengths(&self, within: u64, included: u32, original: u32) -> Result<(), CaptureError> {
        if included > LONGEST_RECORD_BYTES {
            return Err(self.broken(
                within,
                format!("a record of {included} bytes"),
                format!("at most {LONGEST_RECORD_BYTES}, which no HCI packet reaches"),
            ));
        }
        if included > original {
            return Err(self.broken(
                within,
                format!("{included} bytes kept of a packet of {original}"),
                "no more than it had",
            ));
        }
        Ok(())
    }

    fn next_of_btsnoop(&mut self, link: Link) -> Result<Next, CaptureError> {
        if !self.hold(24)? {
            return Ok(self.end());
        }
        let held = self.held();
        let (original, included) = (word(held, 0, true), word(held, 4, true));
        let (flags, dropped) = (word(held, 8, true), word(held, 12, true));
        let stamp = (u64::from(word(held, 16, true)) << 32 | u64::from(word(held, 20, true))) as i64;
        self.lengths(4, included, original)?;
        let length = 24 + included as usize;
        if !self.hold(length)? {
            return Ok(self.end());
        }
        let unix_us =
            i128::from(stamp) - i128::from(BTSNOOP_YEAR_2000_US) + i128::from(UNIX_YEAR_2000_S) * 1_000_000;
        let host_ns = self.in_range(16, unix_us * 1_000)?;
        Ok(Next::Record(Found {
            host_ns,
            resolution_ns: 1_000.0,
            link,
            interface: 0,
            flags,
            received: Some(flags & 1 == 1),
            dropped: Dropped::SinceBeginning(dropped),
            data: 24..length,
            whole: included == original,
            length,
        }))
    }

    fn next_of_pcap(&mut self, big: bool, fraction_ns: u32, link: Link) -> Result<Next, CaptureError> {
        if !self.hold(16)? {
            return Ok(self.end());
        }
        let held = self.held();
        let (seconds, fraction) = (word(held, 0, big), word(held, 4, big));
        let (included, original) = (word(held, 8, big), word(held, 12, big));
        let most = 1_000_000_000 / fraction_ns;
        if fraction >= most {
            return Err(self.broken(
                4,
                format!("{fraction} as a part of a second"),
                format!("less than {most}"),
            ));
        }
        self.lengths(8, included, original)?;
        let length = 16 + included as usize;
        if !self.hold(length)? {
            return Ok(self.end());
        }
        Ok(Next::Record(Found {
            host_ns: i64::from(seconds) * 1_000_000_000 + i64::from(fraction) * i64::from(fraction_ns),
            resolution_ns: f64::from(fraction_ns),
            link,
            interface: 0,
            flags: 0,
            received: None,
            dropped: Dropped::SinceLast(0),
            data: 16..length,
            whole: included == original,
            length,
        }))
    }

    fn next_of_pcapng(&mut self, big: bool) -> Result<Next, CaptureError> {
        const SECTION: u32 = 0x0a0d_0d0a;
        if !self.hold(12)? {
            return Ok(self.end());
        }
        let mut big = big;
        // Reads the same in both orders.
        if word(self.held(), 0, true) == SECTION {
            let magic = word(self.held(), 8, true);
            big = match magic {
                0x1a2b_3c4d => true,
                0x4d3c_2b1a => false,
                _ => {
                    return Err(self.broken(
                        8,
                        format!("{magic:08x}"),
                        "1a2b3c4d in either order of its bytes",
                    ));
                }
            };
            self.form = Form::Pcapng { big, interfaces: Vec::new() };
        }
        let (kind, length) = (word(self.held(), 0, big), word(self.held(), 4, big));
        if length < 12 || length % 4 != 0 {
            return Err(self.broken(4, format!("a block of {length} bytes"), "a multiple of 4, at least 12"));
        }
        let known = matches!(kind, SECTION | 1 | 2 | 3 | 6);
        if known && length > LONGEST_RECORD_BYTES {
            return self.skip_long_block(kind, length, big);
        }
        if !known {
            return Ok(if self.skip_block(length)? { Next::Other } else { Next::End });
        }
        let length = length as usize;
        if !self.hold(length)? {
            return Ok(self.end());
        }
        let last = word(self.held(), length - 4, big);
        if last as usize != length {
            return Err(self.broken(
                length as u64 - 4,
                format!("a length of {last} behind a block"),
                format!("{length} as in front of it"),
            ));
        }
        let next = match kind {
            SECTION => {
                let major = if length >= 28 { half(self.held(), 12, big) } else { 0 };
                if major != 1 {
                    return Err(self.broken(12, format!("version {major}"), "version 1"));
                }
                Next::Other
            }
            1 => self.interface_block(length, big)?,
            3 => {
                self.unstamped += 1;
                Next::Other
            }
            _ => self.packet_block(kind == 2, length, big)?,
        };
        if matches!(next, Next::Other) {
            self.pass(length);
        }
        Ok(next)
    }

    /// Passes over a block without holding it; false where the log breaks off in it.
    fn skip_block(&mut self, length: u32) -> Result<bool, CaptureError> {
        let begins = self.at;
        let whole = self.skip(u64::from(length))?;
        if !whole {
            self.torn_at = Some(begins);
        }
        Ok(whole)
    }

    /// A long block is fine where it belongs to a network, and too long for Bluetooth.
    fn skip_long_block(&mut self, kind: u32, length: u32, big: bool) -> Result<Next, CaptureError> {
        if matches!(kind, 2 | 6) {
            let number =
                if kind == 6 { word(self.held(), 8, big) } else { u32::from(half(self.held(), 8, big)) };
            let Form::Pcapng { interfaces, .. } = &self.form else { return Ok(Next::End) };
            if interfaces.get(number as usize).is_some_and(|interface| interface.link.is_none()) {
                self.other_links += 1;
                return Ok(if self.skip_block(length)? { Next::Other } else { Next::End });
            }
        }
        Err(self.broken(
            4,
            format!("a block of {length} bytes"),
            format!("at most {LONGEST_RECORD_BYTES}, which no HCI packet reaches"),
        ))
    }

    fn interface_block(&mut self, length: usize, big: bool) -> Result<Next, CaptureError> {
        if length < 20 {
            return Err(self.broken(4, format!("a block of {length} bytes"), "at least 20 for an interface"));
        }
        let link_type = u32::from(half(self.held(), 8, big));
        let mut interface =
            Interface { link: Link::of_link_type(link_type), link_type, per_s: 1_000_000, offset_s: 0 };
        for option in self.options(16, length - 4, big)? {
            let (code, value) = option;
            let bytes = &self.held()[value.clone()];
            match (code, bytes) {
                (9, &[step]) if step & 0x80 != 0 => interface.per_s = 1 << (step & 0x7f).min(127),
                (9, &[step]) if step <= 30 => interface.per_s = 10_u128.pow(u32::from(step)),
                (9, _) => {
                    let found = format!("stamps of resolution {bytes:02x?}");
                    return Err(self.broken(
                        value.start as u64,
                        found,
                        "one octet: a power of ten up to 30, or of two",
                    ));
                }
                (14, bytes) if bytes.len() == 8 => {
                    let (first, second) = (u64::from(word(bytes, 0, big)), u64::from(word(bytes, 4, big)));
                    let number = if big { first << 32 | second } else { second << 32 | first };
                    interface.offset_s = number as i64;
                }
                _ => {}
            }
        }
        if let Form::Pcapng { interfaces, .. } = &mut self.form {
            interfaces.push(interface);
        }
        Ok(Next::Other)
    }

    /// Options of a block as pairs of code and place.
    fn options(
        &self,
        mut from: usize,
        end: usize,
        big: bool,
    ) -> Result<Vec<(u16, std::ops::Range<usize>)>, CaptureError> {
        let held = self.held();
        let mut options = Vec::new();
        while from + 4 <= end {
            let (code, length) = (half(held, from, big), usize::from(half(held, from + 2, big)));
            if code == 0 {
                break;
            }
            let value = from + 4..from + 4 + length;
            if value.end > end {
                let found = format!("an option of {length} bytes where {} are left", end - from - 4);
                return Err(self.broken(from as u64, found, "one that ends within its block"));
            }
            from = value.start + length.next_multiple_of(4);
            options.push((code, value));
        }
        Ok(options)
    }

    /// An enhanced packet block, or its forerunner.
    fn packet_block(&mut self, old: bool, length: usize, big: bool) -> Result<Next, CaptureError> {
        if length < 32 {
            return Err(self.broken(4, format!("a block of {length} bytes"), "at least 32 for a packet"));
        }
        let held = self.held();
        let (number, mut lost) = if old {
            (u32::from(half(held, 8, big)), u32::from(half(held, 10, big)))
        } else {
            (word(held, 8, big), 0)
        };
        // The forerunner counts losses by 65535 where it does not know.
        if lost == 0xffff {
            lost = 0;
        }
        let stamp = u64::from(word(held, 12, big)) << 32 | u64::from(word(held, 16, big));
        let (included, original) = (word(held, 20, big), word(held, 24, big));
        let Form::Pcapng { interfaces, .. } = &self.form else { return Ok(Next::End) };
        let Some(&interface) = interfaces.get(number as usize) else {
            let found = format!("a packet of interface {number}");
            return Err(self.broken(
                8,
                found,
                format!("one of the {} that were described before", interfaces.len()),
            ));
        };
        let Some(link) = interface.link else {
            self.other_links += 1;
            return Ok(Next::Other);
        };
        let room = length - 32;
        if included as usize > room {
            let found = format!("a packet of {included} bytes in a block with room for {room}");
            return Err(self.broken(20, found, "one that ends within its block"));
        }
        self.lengths(20, included, original)?;
        let data = 28..28 + included as usize;
        let mut received = None;
        for (code, value) in self.options(28 + (included as usize).next_multiple_of(4), length - 4, big)? {
            let bytes = &self.held()[value];
            match (code, bytes.len()) {
                (2, 4) => {
                    received = match word(bytes, 0, big) & 3 {
                        1 => Some(true),
                        2 => Some(false),
                        _ => None,
                    }
                }
                (4, 8) => {
                    let (first, second) = (word(bytes, 0, big), word(bytes, 4, big));
                    lost = if first | second == 0 { 0 } else { first.max(second) };
                }
                _ => {}
            }
        }
        let host_ns = self.stamp(stamp, interface)?;
        Ok(Next::Record(Found {
            host_ns,
            resolution_ns: (1e9 / interface.per_s as f64).max(1.0),
            link,
            interface: number,
            flags: 0,
            received,
            dropped: Dropped::SinceLast(lost),
            data,
            whole: included == original,
            length,
        }))
    }

    /// A stamp in nanoseconds, rounded down.
    fn stamp(&self, stamp: u64, interface: Interface) -> Result<i64, CaptureError> {
        let (stamp, per_s) = (u128::from(stamp), interface.per_s);
        let (whole_s, rest) = (stamp / per_s, stamp % per_s);
        // Steps far below a nanosecond are cut so that the product stays within 128 bits.
        let (rest, per_s) = if per_s > 1 << 96 { (rest >> 32, per_s >> 32) } else { (rest, per_s) };
        let within_ns = rest * 1_000_000_000 / per_s;
        let seconds = whole_s as i128 + i128::from(interface.offset_s);
        self.in_range(12, seconds * 1_000_000_000 + within_ns as i128)
    }

    fn in_range(&self, within: u64, ns: i128) -> Result<i64, CaptureError> {
        i64::try_from(ns).map_err(|_| {
            let found = format!("a stamp of {} s of Unix time", ns / 1_000_000_000);
            self.broken(within, found, "one of the years 1678 to 2262")
        })
    }

    /// Why there is nothing in a log whose interfaces all carry something else.
    pub(crate) fn only_other_links(&self) -> Option<String> {
        let Form::Pcapng { interfaces, .. } = &self.form else { return None };
        if interfaces.iter().any(|interface| interface.link.is_some()) {
            return None;
        }
        Some(
            interfaces.first().map_or_else(|| "no interface".to_owned(), |first| other_link(first.link_type)),
        )
    }
}

/// A 32-bit number at a place that is held.
fn word(bytes: &[u8], at: usize, big: bool) -> u32 {
    let four = [bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]];
    if big { u32::from_be_bytes(four) } else { u32::from_le_bytes(four) }
}

/// A 16-bit number at a place that is held.
fn half(bytes: &[u8], at: usize, big: bool) -> u16 {
    let two = [bytes[at], bytes[at + 1]];
    if big { u16::from_be_bytes(two) } else { u16::from_le_bytes(two) }
}
