//! `recording.toml`: what is known of the two clocks, the link and the streams.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use serde::Serialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::{Malformed, Note, Place, ReadError};

/// Version of the recording format that this crate reads and writes.
pub const FORMAT: u32 = 1;

/// Most streams a recording may describe.
pub const MOST_STREAMS: usize = 255;

/// All that `recording.toml` says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Description {
    /// The device's counter and crystal.
    pub device_clock: DeviceClock,
    /// The clock of the phone's stamps.
    pub host_clock: HostClock,
    /// What is known of the way from device to host.
    pub link: Link,
    /// The streams, at least one; the first is the reference stream.
    #[serde(rename = "stream")]
    pub streams: Vec<Stream>,
    /// Per event label: from the host stamp to the physical event.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub event_latency: BTreeMap<String, EventLatency>,
}

/// The device's counter and crystal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DeviceClock {
    /// Nominal rate of the counter that the device stamps with, hertz, 0.001 to 1e12; given together with `tick_bits`, or
    /// `None` where the device stamps nothing and its sample count is the device clock.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tick_hz: Option<f64>,
    /// The counter wraps at 2^`tick_bits`; 16 to 64.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tick_bits: Option<u8>,
    /// Half-width of the crystal's rate tolerance, parts per million, above 0, at most 90 000; 100 where the file is silent.
    pub tolerance_ppm: f64,
}

impl Default for DeviceClock {
    fn default() -> Self {
        Self { tick_hz: None, tick_bits: None, tolerance_ppm: 100.0 }
    }
}

impl DeviceClock {
    /// The largest value of the counter before it wraps; `None` where no counter is described.
    pub fn largest_tick(&self) -> Option<u64> {
        self.tick_bits.map(largest)
    }
}

/// The clock of the phone's stamps.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HostClock {
    /// Step of the host stamps, nanoseconds, above 0: a stamp is the clock rounded down to it. 1 where the file is
    /// silent. A fraction is allowed, since a step of 1/1024 s is none of whole nanoseconds.
    pub resolution_ns: f64,
}

impl Default for HostClock {
    fn default() -> Self {
        Self { resolution_ns: 1.0 }
    }
}

/// What is known of the way from device to host; each part may be unknown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Link {
    /// Smallest possible time from the first sample of a packet of the usual size to its host stamp, milliseconds, 0 or more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fixed_delay_ms: Option<f64>,
    /// Standard uncertainty of the fixed delay (GUM), milliseconds, 0 or more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fixed_delay_u_ms: Option<f64>,
    /// Connection interval, milliseconds, above 0.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub connection_interval_ms: Option<f64>,
}

/// One stream of samples.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stream {
    /// Its name, unique; also a file name and a column name, so it has no slash and no control character and does
    /// not begin with a dot.
    pub name: String,
    /// Nominal sample rate, hertz, above 0.
    pub rate_hz: f64,
    /// Usual number of samples in a packet, 1 to 65 535.
    pub samples_per_packet: u16,
    /// The packet sequence number wraps at 2^`sequence_bits`; 8 to 32.
    pub sequence_bits: u8,
}

/// From an event's host stamp to the physical event.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct EventLatency {
    /// Positive where the physical event comes after its stamp (a screen), negative where before (a tap), milliseconds.
    pub latency_ms: f64,
    /// Its standard uncertainty, milliseconds, 0 or more.
    pub latency_u_ms: f64,
}

/// The largest number of so many bits.
pub(crate) fn largest(bits: u8) -> u64 {
    u64::MAX >> 64_u32.saturating_sub(u32::from(bits))
}

pub(crate) const FILE: &str = "recording.toml";

impl Description {
    /// The text of `recording.toml` that says all this.
    pub fn to_toml(&self) -> Result<String, toml::ser::Error> {
        #[derive(Serialize)]
        struct Document<'a> {
            format: u32,
            #[serde(flatten)]
            description: &'a Description,
        }
        toml::to_string(&Document { format: FORMAT, description: self })
    }

    /// Reads the text of `recording.toml`. Keys that are not known to this version are noted and passed over.
    pub fn from_toml(text: &str, notes: &mut Vec<Note>) -> Result<Self, Malformed> {
        Self::from_toml_with(FILE, text, notes, |_, _, _| Ok(()))
    }

    /// The same of a file that messages call by another name, such as its path.
    pub fn from_toml_of(file: &str, text: &str, notes: &mut Vec<Note>) -> Result<Self, Malformed> {
        Self::from_toml_with(file, text, notes, |_, _, _| Ok(()))
    }

    /// Reads a file that has the keys of `recording.toml` and more in each stream, which `more` asks for.
    pub(crate) fn from_toml_with(
        file: &str,
        text: &str,
        notes: &mut Vec<Note>,
        mut more: impl FnMut(&mut Table<'_, '_>, &DeviceClock, &Stream) -> Result<(), Malformed>,
    ) -> Result<Self, Malformed> {
        let root = DeTable::parse(text).map_err(|error| {
            let span = error.span().unwrap_or(0..0);
            let (line, character) = position(text, span.start);
            Malformed {
                file: file.to_owned(),
                line,
                place: Place::Key { key: String::new(), character },
                found: format!("text that is no TOML ({})", error.message()),
                expected: "TOML".to_owned(),
            }
        })?;
        let mut root =
            Table { file, text, name: String::new(), at: 0, table: root.get_ref(), known: Vec::new() };

        let expected_format = format!("{FORMAT}, the version of the recording format that is read here");
        let format = root.whole("format", 1, u64::MAX, &expected_format)?;
        if format != u64::from(FORMAT) {
            return Err(root.fault_at("format", &expected_format));
        }
        let device_clock = match root.table("device_clock")? {
            None => DeviceClock::default(),
            Some(table) => read_device_clock(table, notes)?,
        };
        let host_clock = match root.table("host_clock")? {
            None => HostClock::default(),
            Some(mut table) => {
                let resolution_ns = table.number("resolution_ns", Bound::Above0)?.unwrap_or(1.0);
                table.finish(notes);
                HostClock { resolution_ns }
            }
        };
        let link = match root.table("link")? {
            None => Link::default(),
            Some(mut table) => {
                let link = Link {
                    fixed_delay_ms: table.number("fixed_delay_ms", Bound::From0)?,
                    fixed_delay_u_ms: table.number("fixed_delay_u_ms", Bound::From0)?,
                    connection_interval_ms: table.number("connection_interval_ms", Bound::Above0)?,
                };
                table.finish(notes);
                link
            }
        };
        let streams = read_streams(&mut root, notes, |table, stream| more(table, &device_clock, stream))?;
        let mut event_latency = BTreeMap::new();
        if let Some(labels) = root.table("event_latency")? {
            for (label, value) in labels.table {
                let mut table = labels.sub_table(label.get_ref(), label.span(), value)?;
                let latency = EventLatency {
                    latency_ms: table.needed_number("latency_ms", Bound::Finite)?,
                    latency_u_ms: table.needed_number("latency_u_ms", Bound::From0)?,
                };
                table.finish(notes);
                event_latency.insert(label.get_ref().to_string(), latency);
            }
        }
        root.finish(notes);
        Ok(Self { device_clock, host_clock, link, streams, event_latency })
    }
}

fn read_device_clock(mut table: Table<'_, '_>, notes: &mut Vec<Note>) -> Result<DeviceClock, Malformed> {
    let expected_bits = "a whole number from 16 to 64";
    let tick_hz = table.number("tick_hz", TICK_HZ)?;
    let tick_bits = match table.table.get("tick_bits") {
        None => None,
        Some(_) => Some(table.whole("tick_bits", 16, 64, expected_bits)? as u8),
    };
    if tick_hz.is_some() && tick_bits.is_none() {
        return Err(table.missing("tick_bits", &format!("{expected_bits} beside tick_hz")));
    }
    if tick_bits.is_some() && tick_hz.is_none() {
        return Err(table.missing("tick_hz", &format!("{} beside tick_bits", TICK_HZ.words())));
    }
    let tolerance_ppm =
        table.number("tolerance_ppm", TOLERANCE_PPM)?.unwrap_or(DeviceClock::default().tolerance_ppm);
    table.finish(notes);
    Ok(DeviceClock { tick_hz, tick_bits, tolerance_ppm })
}

fn read_streams(
    root: &mut Table<'_, '_>,
    notes: &mut Vec<Note>,
    mut more: impl FnMut(&mut Table<'_, '_>, &Stream) -> Result<(), Malformed>,
) -> Result<Vec<Stream>, Malformed> {
    const EXPECTED: &str = "at least one [[stream]]";
    root.known.push("stream");
    let Some(value) = root.table.get("stream") else { return Err(root.missing("stream", EXPECTED)) };
    let Some(list) = value.get_ref().as_array() else { return Err(root.fault_at("stream", EXPECTED)) };
    if list.is_empty() {
        return Err(root.fault_at("stream", EXPECTED));
    }
    if list.len() > MOST_STREAMS {
        return Err(root.fault(value.span(), "stream", &format!("at most {MOST_STREAMS} of them")));
    }
    let mut streams: Vec<Stream> = Vec::new();
    for value in list.iter() {
        let mut table = root.sub_table("stream", value.span(), value)?;
        let name = table.name("name")?;
        if streams.iter().any(|stream| stream.name == name) {
            return Err(table.fault_at("name", "a name that no other stream has"));
        }
        let stream = Stream {
            name,
            rate_hz: table.needed_number("rate_hz", Bound::Above0)?,
            samples_per_packet: table.whole(
                "samples_per_packet",
                1,
                65_535,
                "a whole number from 1 to 65535",
            )? as u16,
            sequence_bits: table.whole("sequence_bits", 8, 32, "a whole number from 8 to 32")? as u8,
        };
        more(&mut table, &stream)?;
        streams.push(stream);
        table.finish(notes);
    }
    Ok(streams)
}

/// What a number of the description must be.
#[derive(Clone, Copy)]
pub(crate) enum Bound {
    Finite,
    From0,
    Above0,
    Above0UpTo(f64),
    Within(f64, f64),
}

/// What the core takes, and what it takes less what it adds for the phone's own clock, rounded.
const TICK_HZ: Bound = Bound::Within(1e-3, 1e12);
const TOLERANCE_PPM: Bound = Bound::Above0UpTo(90_000.0);

impl Bound {
    fn words(self) -> String {
        match self {
            Self::Finite => "a finite number".to_owned(),
            Self::From0 => "a finite number, 0 or more".to_owned(),
            Self::Above0 => "a finite number above 0".to_owned(),
            Self::Above0UpTo(most) => format!("a number above 0, at most {most}"),
            Self::Within(least, most) => format!("a number from {least} to {most}"),
        }
    }

    fn holds(self, number: f64) -> bool {
        number.is_finite()
            && match self {
                Self::Finite => true,
                Self::From0 => number >= 0.0,
                Self::Above0 => number > 0.0,
                Self::Above0UpTo(most) => number > 0.0 && number <= most,
                Self::Within(least, most) => (least..=most).contains(&number),
            }
    }
}

/// A table being read: remembers which keys were asked for, so that the others can be told.
pub(crate) struct Table<'t, 'i> {
    /// Name of the file, for messages.
    file: &'t str,
    text: &'t str,
    /// The table's own key; empty for the whole document.
    name: String,
    /// Byte of the document where the table begins.
    at: usize,
    table: &'t DeTable<'i>,
    known: Vec<&'static str>,
}

impl<'t, 'i> Table<'t, 'i> {
    fn key(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_owned() } else { format!("{}.{key}", self.name) }
    }

    fn malformed(&self, at: usize, key: &str, found: String, expected: &str) -> Malformed {
        let (line, character) = position(self.text, at);
        Malformed {
            file: self.file.to_owned(),
            line,
            place: Place::Key { key: self.key(key), character },
            found,
            expected: expected.to_owned(),
        }
    }

    /// Blames a value, repeating it as it stands in the file.
    fn fault(&self, span: Range<usize>, key: &str, expected: &str) -> Malformed {
        let found = match self.table.get(key).map(|value| value.get_ref()) {
            Some(DeValue::Table(_)) => "a table".to_owned(),
            Some(DeValue::Array(list)) => format!("a list of {}", list.len()),
            _ => cut(self.text.get(span.clone()).unwrap_or_default()),
        };
        self.malformed(span.start, key, found, expected)
    }

    pub(crate) fn fault_at(&self, key: &str, expected: &str) -> Malformed {
        let span = self.table.get(key).map_or(self.at..self.at, Spanned::span);
        self.fault(span, key, expected)
    }

    pub(crate) fn missing(&self, key: &str, expected: &str) -> Malformed {
        self.malformed(self.at, key, "no such key".to_owned(), expected)
    }

    pub(crate) fn number(&mut self, key: &'static str, bound: Bound) -> Result<Option<f64>, Malformed> {
        self.known.push(key);
        let Some(value) = self.table.get(key) else { return Ok(None) };
        let number = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse::<f64>().ok(),
            _ => None,
        };
        match number {
            Some(number) if bound.holds(number) => Ok(Some(number)),
            _ => Err(self.fault(value.span(), key, &bound.words())),
        }
    }

    pub(crate) fn needed_number(&mut self, key: &'static str, bound: Bound) -> Result<f64, Malformed> {
        self.number(key, bound)?.ok_or_else(|| self.missing(key, &bound.words()))
    }

    pub(crate) fn whole(
        &mut self,
        key: &'static str,
        least: u64,
        most: u64,
        expected: &str,
    ) -> Result<u64, Malformed> {
        self.known.push(key);
        let Some(value) = self.table.get(key) else { return Err(self.missing(key, expected)) };
        let number = match value.get_ref() {
            DeValue::Integer(integer) => u64::from_str_radix(integer.as_str(), integer.radix()).ok(),
            _ => None,
        };
        match number {
            Some(number) if (least..=most).contains(&number) => Ok(number),
            _ => Err(self.fault(value.span(), key, expected)),
        }
    }

    fn name(&mut self, key: &'static str) -> Result<String, Malformed> {
        const EXPECTED: &str = "a name of 1 to 100 bytes that can be a file name: no slash, backslash or control character, \
                                no dot or space in front, no space at the end";
        self.known.push(key);
        let Some(value) = self.table.get(key) else { return Err(self.missing(key, EXPECTED)) };
        match value.get_ref().as_str() {
            Some(name)
                if (1..=100).contains(&name.len())
                    && !name.starts_with('.')
                    && name.trim() == name
                    && !name.contains(|c: char| c == '/' || c == '\\' || c.is_control()) =>
            {
                Ok(name.to_owned())
            }
            _ => Err(self.fault(value.span(), key, EXPECTED)),
        }
    }

    pub(crate) fn table(&mut self, key: &'static str) -> Result<Option<Table<'t, 'i>>, Malformed> {
        self.known.push(key);
        match self.table.get_key_value(key) {
            None => Ok(None),
            Some((key, value)) => self.sub_table(key.get_ref(), key.span(), value).map(Some),
        }
    }

    fn sub_table(
        &self,
        key: &str,
        span: Range<usize>,
        value: &'t Spanned<DeValue<'i>>,
    ) -> Result<Table<'t, 'i>, Malformed> {
        match value.get_ref() {
            DeValue::Table(table) => {
                let (file, text) = (self.file, self.text);
                Ok(Table { file, text, name: self.key(key), at: span.start, table, known: Vec::new() })
            }
            _ => {
                let found = cut(self.text.get(value.span()).unwrap_or_default());
                Err(self.malformed(value.span().start, key, found, "a table"))
            }
        }
    }

    /// True where the key stands in the file.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// True where the key holds a text.
    pub(crate) fn is_text(&self, key: &str) -> bool {
        self.table.get(key).is_some_and(|value| value.get_ref().as_str().is_some())
    }

    /// A text.
    pub(crate) fn text(&mut self, key: &'static str, expected: &str) -> Result<Option<String>, Malformed> {
        self.known.push(key);
        let Some(value) = self.table.get(key) else { return Ok(None) };
        match value.get_ref().as_str() {
            Some(text) => Ok(Some(text.to_owned())),
            None => Err(self.fault(value.span(), key, expected)),
        }
    }

    /// Tells of each key that nobody asked for.
    pub(crate) fn finish(self, notes: &mut Vec<Note>) {
        for key in self.table.keys().filter(|key| !self.known.contains(&&**key.get_ref())) {
            let name = cut(&self.key(key.get_ref()));
            notes.push(Note {
                file: self.file.to_owned(),
                line: position(self.text, key.span().start).0,
                text: format!("the key \"{name}\" is not known to this version and was passed over"),
            });
        }
    }
}

/// Line and character of a byte, both counted from 1.
fn position(text: &str, at: usize) -> (u64, usize) {
    let before = text.get(..at).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
    (before.matches('\n').count() as u64 + 1, before[line_start..].chars().count() + 1)
}

/// At most 40 characters of the first line of a piece of the file, control characters escaped.
fn cut(piece: &str) -> String {
    let line = piece.lines().next().unwrap_or_default();
    let mut text = String::new();
    for character in line.chars().take(40) {
        if character.is_control() {
            text.extend(character.escape_default());
        } else {
            text.push(character);
        }
    }
    if line.len() < piece.len() || line.chars().count() > 40 {
        text.push('…');
    }
    text
}

pub(crate) fn read(folder: &Path, notes: &mut Vec<Note>) -> Result<Description, ReadError> {
    let Some((file, path)) = crate::rows::open(folder, FILE)? else {
        return Err(ReadError::Absent {
            path: folder.join(FILE),
            found: "no such file",
            expected: "one in every recording folder",
        });
    };
    let text = crate::text::of(file, &path, FILE)?;
    Ok(Description::from_toml(&text, notes)?)
}
