//! The packet log: columns held lean, since a night has more than a million rows.

use std::borrow::Cow;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::columns::{ColumnNames, Table, TimeUnit, decimal_ns};
use crate::description::Description;
use crate::error::{Note, ReadError, shown};
use crate::parquet_in::{self, ParquetTable};
use crate::rows::{Fault, Row, Rows, split_as_header, whole_number};

/// One packet as the host received it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packet {
    /// Host clock at the stamp, nanoseconds from the host's own origin.
    pub host_ns: i64,
    /// Place of the packet's stream in [`Description::streams`].
    pub stream: u8,
    /// Sequence number modulo 2^`sequence_bits` of the stream.
    pub sequence: u32,
    /// Device counter at the packet's first sample, modulo 2^`tick_bits`; `None` where the device sent none.
    pub tick: Option<u64>,
    /// Samples in the packet, 1 to 65 535.
    pub samples: u16,
}

/// All packets of a recording in the order in which the host received them, one column each.
///
/// 23 bytes a packet where every packet has a tick, 15 where none has, and one bit more where some have. The columns are its own, or
/// lent by somebody who holds them already ([`Packets::lent`]).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Packets<'a> {
    host_ns: Cow<'a, [i64]>,
    stream: Cow<'a, [u8]>,
    sequence: Cow<'a, [u32]>,
    samples: Cow<'a, [u16]>,
    /// Empty as long as no packet has had a tick; after that one for each packet, anything where there is none.
    tick: Cow<'a, [u64]>,
    /// Bit set for a packet without a tick; empty unless some have one and some have none.
    without_tick: Vec<u64>,
}

/// The columns of packets that somebody else holds; see [`Packet`] for each.
#[derive(Clone, Copy, Debug)]
pub struct Columns<'a> {
    /// Host stamps, nanoseconds.
    pub host_ns: &'a [i64],
    /// Places of the packets' streams in [`Description::streams`].
    pub stream: &'a [u8],
    /// Sequence numbers as sent, wrapped.
    pub sequence: &'a [u32],
    /// Device counters as sent; `None` where no packet carries one.
    pub tick: Option<&'a [u64]>,
    /// True for each packet without a tick, whatever stands in `tick`; `None` where all have one.
    pub without_tick: Option<&'a [bool]>,
    /// Samples in each packet.
    pub samples: &'a [u16],
}

/// A packet that its description does not allow for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misfit {
    /// Which packet, counted from 0.
    pub row: usize,
    /// Name of the column of `packets.csv`.
    pub column: &'static str,
    /// What stands there.
    pub found: String,
    /// What the description asks for.
    pub expected: String,
}

impl<'a> Packets<'a> {
    /// Packets over columns that stay where they are: nothing is copied but `without_tick`, into bits. `None` where the lengths differ,
    /// or `without_tick` stands without `tick`.
    pub fn lent(columns: &Columns<'a>) -> Option<Self> {
        let Columns { host_ns, stream, sequence, tick, without_tick, samples } = *columns;
        let count = host_ns.len();
        let mut lengths = [stream.len(), sequence.len(), samples.len()].into_iter();
        let of_ticks = [tick.map(<[u64]>::len), without_tick.map(<[bool]>::len)];
        let fit = lengths.all(|length| length == count)
            && of_ticks.into_iter().flatten().all(|length| length == count)
            && (tick.is_some() || without_tick.is_none());
        if !fit {
            return None;
        }
        let without = without_tick.filter(|without| without.contains(&true)).unwrap_or_default();
        let all_without = count > 0 && without.len() == count && !without.contains(&false);
        let without_tick = if all_without { &[] } else { without }.chunks(64).map(|bits| {
            bits.iter().enumerate().fold(0, |word, (bit, &without)| word | u64::from(without) << bit)
        });
        Some(Self {
            host_ns: host_ns.into(),
            stream: stream.into(),
            sequence: sequence.into(),
            samples: samples.into(),
            tick: tick.filter(|_| !all_without).unwrap_or_default().into(),
            without_tick: without_tick.collect(),
        })
    }

    /// The first packet that the description does not allow for: a stream that it does not have, a number beyond its bits, no samples.
    pub fn first_misfit(&self, description: &Description) -> Option<Misfit> {
        let largest_tick = description.device_clock.largest_tick();
        (0..self.len()).find_map(|row| {
            let packet = self.get(row)?;
            let misfit = |column, found: u64, expected| {
                Some(Misfit { row, column, found: found.to_string(), expected })
            };
            let Some(stream) = description.streams.get(usize::from(packet.stream)) else {
                let most = description.streams.len().saturating_sub(1);
                return misfit(
                    "stream",
                    packet.stream.into(),
                    format!("the place of a stream, 0 to {most}, or its name"),
                );
            };
            let largest = crate::description::largest(stream.sequence_bits);
            if u64::from(packet.sequence) > largest {
                return misfit(
                    "sequence",
                    packet.sequence.into(),
                    format!("a whole number from 0 to {largest}"),
                );
            }
            match packet.tick {
                Some(tick) if largest_tick.is_none_or(|largest| tick > largest) => {
                    let expected = largest_tick.map_or_else(
                        || "none, since the description has no tick_hz and tick_bits".to_owned(),
                        |largest| format!("a whole number from 0 to {largest}, or none"),
                    );
                    misfit("tick", tick, expected)
                }
                _ if packet.samples == 0 => misfit("samples", 0, "a whole number from 1 to 65535".to_owned()),
                _ => None,
            }
        })
    }

    /// Host stamps, streams, sequence numbers, ticks (empty where no packet has one) and samples, as columns of their own.
    #[expect(clippy::type_complexity, reason = "five columns, each once")]
    pub fn into_columns(self) -> (Vec<i64>, Vec<u8>, Vec<u32>, Vec<u64>, Vec<u16>) {
        let Self { host_ns, stream, sequence, samples, tick, .. } = self;
        (
            host_ns.into_owned(),
            stream.into_owned(),
            sequence.into_owned(),
            tick.into_owned(),
            samples.into_owned(),
        )
    }

    /// Number of packets.
    pub fn len(&self) -> usize {
        self.host_ns.len()
    }

    /// True where nothing was received.
    pub fn is_empty(&self) -> bool {
        self.host_ns.is_empty()
    }

    /// Host stamps, nanoseconds.
    pub fn host_ns(&self) -> &[i64] {
        &self.host_ns
    }

    /// Places of the packets' streams in [`Description::streams`].
    pub fn stream(&self) -> &[u8] {
        &self.stream
    }

    /// Sequence numbers as sent, wrapped.
    pub fn sequence(&self) -> &[u32] {
        &self.sequence
    }

    /// Samples in each packet.
    pub fn samples(&self) -> &[u16] {
        &self.samples
    }

    /// Device counter of one packet; `None` where the device sent none or there is no such packet.
    pub fn tick(&self, index: usize) -> Option<u64> {
        let tick = *self.tick.get(index)?;
        let missing = self.without_tick.get(index / 64).is_some_and(|word| word >> (index % 64) & 1 == 1);
        (!missing).then_some(tick)
    }

    /// True where at least one packet carries a tick.
    pub fn any_tick(&self) -> bool {
        !self.tick.is_empty()
    }

    /// One packet; `None` past the end.
    pub fn get(&self, index: usize) -> Option<Packet> {
        Some(Packet {
            host_ns: *self.host_ns.get(index)?,
            stream: *self.stream.get(index)?,
            sequence: *self.sequence.get(index)?,
            tick: self.tick(index),
            samples: *self.samples.get(index)?,
        })
    }

    /// The packets in the order in which the host received them.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = Packet> + DoubleEndedIterator + '_ {
        (0..self.len()).map(|index| Packet {
            host_ns: self.host_ns[index],
            stream: self.stream[index],
            sequence: self.sequence[index],
            tick: self.tick(index),
            samples: self.samples[index],
        })
    }

    /// Appends the packet received next. Amortised constant time; columns that were lent are copied first.
    pub fn push(&mut self, packet: Packet) {
        let index = self.len();
        match packet.tick {
            Some(tick) => {
                if self.tick.is_empty() && index > 0 {
                    // The first tick comes late: all packets so far had none.
                    let ticks = self.tick.to_mut();
                    ticks.reserve_exact(self.host_ns.to_mut().capacity());
                    ticks.resize(index, 0);
                    self.without_tick.resize(index.div_ceil(64), u64::MAX);
                    if !index.is_multiple_of(64) {
                        self.without_tick[index / 64] = (1 << (index % 64)) - 1;
                    }
                }
                self.tick.to_mut().push(tick);
            }
            None if self.tick.is_empty() => {}
            None => {
                self.tick.to_mut().push(0);
                self.without_tick.resize(index / 64 + 1, 0);
                self.without_tick[index / 64] |= 1 << (index % 64);
            }
        }
        self.host_ns.to_mut().push(packet.host_ns);
        self.stream.to_mut().push(packet.stream);
        self.sequence.to_mut().push(packet.sequence);
        self.samples.to_mut().push(packet.samples);
    }

    /// Heap memory held, bytes; lent columns are somebody else's.
    pub fn heap_bytes(&self) -> usize {
        own_bytes(&self.host_ns)
            + own_bytes(&self.stream)
            + own_bytes(&self.sequence)
            + own_bytes(&self.samples)
            + own_bytes(&self.tick)
            + self.without_tick.capacity() * size_of::<u64>()
    }

    fn reserve(&mut self, packets: usize, ticks: bool) {
        self.host_ns.to_mut().reserve_exact(packets);
        self.stream.to_mut().reserve_exact(packets);
        self.sequence.to_mut().reserve_exact(packets);
        self.samples.to_mut().reserve_exact(packets);
        if ticks {
            self.tick.to_mut().reserve_exact(packets);
        }
    }
}

#[expect(clippy::ptr_arg, reason = "whether the column is lent is the question")]
fn own_bytes<T: Clone>(column: &Cow<'_, [T]>) -> usize {
    match column {
        Cow::Borrowed(_) => 0,
        Cow::Owned(own) => own.capacity() * size_of::<T>(),
    }
}

impl Extend<Packet> for Packets<'_> {
    fn extend<I: IntoIterator<Item = Packet>>(&mut self, packets: I) {
        packets.into_iter().for_each(|packet| self.push(packet));
    }
}

impl FromIterator<Packet> for Packets<'_> {
    fn from_iter<I: IntoIterator<Item = Packet>>(packets: I) -> Self {
        let mut all = Self::default();
        all.extend(packets);
        all
    }
}

/// What a column of the file holds.
#[derive(Clone, Copy, PartialEq)]
enum Column {
    HostNs,
    /// Host stamps in another unit, with decimals.
    HostTime(TimeUnit),
    Stream,
    Sequence,
    Tick,
    Samples,
    Other,
}

/// Name and largest sequence number of each stream; largest tick; what columns hold that the file does not have.
struct Limits<'a> {
    streams: Vec<(&'a [u8], u64)>,
    largest_tick: Option<u64>,
    /// Samples of each stream's packets where no column says how many.
    usual_samples: Option<Vec<u16>>,
}

impl<'a> Limits<'a> {
    fn new(description: &'a Description) -> Self {
        let streams = &description.streams;
        Self {
            streams: streams
                .iter()
                .map(|stream| (stream.name.as_bytes(), crate::description::largest(stream.sequence_bits)))
                .collect(),
            largest_tick: description.device_clock.largest_tick(),
            usual_samples: None,
        }
    }

    /// The place of a stream in the description, or what was expected instead of its name.
    fn stream(&self, name: &[u8]) -> Result<u8, String> {
        let place = self.streams.iter().position(|(known, _)| *known == name);
        place.and_then(|place| u8::try_from(place).ok()).ok_or_else(|| {
            let names: Vec<String> = self.streams.iter().map(|(name, _)| shown(name)).collect();
            format!("a stream of recording.toml: {}", names.join(", "))
        })
    }

    fn largest_sequence(&self, stream: u8) -> u32 {
        u32::try_from(self.streams[usize::from(stream)].1).unwrap_or(u32::MAX)
    }

    /// What a column that is not there holds: the only stream; no tick, where none is described; as many samples as usual, with a note.
    /// `None` where nobody could tell.
    fn without(
        &mut self,
        column: Column,
        file: &str,
        description: &Description,
        notes: &mut Vec<Note>,
    ) -> Option<()> {
        match column {
            Column::Stream if self.streams.len() == 1 => Some(()),
            Column::Tick if self.largest_tick.is_none() => Some(()),
            Column::Samples => {
                self.usual_samples =
                    Some(description.streams.iter().map(|stream| stream.samples_per_packet).collect());
                let text = "no column for the samples of a packet; each was taken to have its stream's \
                            samples_per_packet";
                notes.push(Note { file: file.to_owned(), line: 0, text: text.to_owned() });
                Some(())
            }
            _ => None,
        }
    }

    fn filled(&self, mut packet: Packet) -> Packet {
        if let Some(usual) = &self.usual_samples {
            packet.samples = usual[usize::from(packet.stream)];
        }
        packet
    }
}

/// A packet of which nothing is known yet. It has a sample, as every packet has.
const BLANK: Packet = Packet { host_ns: 0, stream: 0, sequence: 0, tick: None, samples: 1 };

pub(crate) const FILE: &str = "packets.csv";
pub(crate) const PARQUET_FILE: &str = "packets.parquet";

/// Packets that memory is set aside for at once, however large the file claims to be.
const MOST_PACKETS_RESERVED: usize = 8_000_000;

const COLUMNS: [(&str, Column); 5] = [
    ("host_ns", Column::HostNs),
    ("stream", Column::Stream),
    ("sequence", Column::Sequence),
    ("tick", Column::Tick),
    ("samples", Column::Samples),
];

pub(crate) fn read(
    folder: &Path,
    description: &Description,
    names: &ColumnNames,
    notes: &mut Vec<Note>,
) -> Result<Packets<'static>, ReadError> {
    if let Some(table) = ParquetTable::open(folder, PARQUET_FILE)? {
        crate::rows::refuse_both(folder, FILE, "both packets.csv and packets.parquet")?;
        return read_parquet(table, description, names, notes);
    }
    let mut rows = Rows::open(folder, FILE)?.ok_or_else(|| ReadError::Absent {
        path: folder.join(FILE),
        found: "no such file",
        expected: "one in every recording folder, or packets.parquet",
    })?;
    let form = Form::of(&rows, FILE, description, names, notes)?;
    let bytes_total = rows.bytes_total();
    let mut packets = Packets::default();
    rows.for_each(notes, |row| {
        let packet = form.packet(row)?;
        // The first rows tell how long a row is, and so how many there will be.
        if packets.len() == FIRST_ROWS {
            let row_bytes = row.bytes.len() as u64 + 1;
            let expected = usize::try_from(bytes_total / row_bytes).unwrap_or(usize::MAX);
            packets.reserve(expected.min(MOST_PACKETS_RESERVED), packet.tick.is_some());
        }
        packets.push(packet);
        Ok(())
    })?;
    Ok(packets)
}

/// The rows of `packets.csv` as they come, from anything that can be read: each is handed over as soon as its line has ended.
///
/// Memory: 256 KiB, whatever comes.
pub struct PacketRows<'a, R> {
    rows: Rows<R>,
    form: Form<'a>,
}

impl<'a, R: Read> PacketRows<'a, R> {
    /// Reads the header, and waits for it where it has not come. Messages call the source `name`.
    ///
    /// # Errors
    /// A header that lacks a column or has one twice; a source that cannot be read.
    pub fn new(source: R, name: &'static str, description: &'a Description) -> Result<Self, ReadError> {
        let mut rows = Rows::of(source, PathBuf::from(name), name);
        rows.read_header()?;
        let form = Form::of(&rows, name, description, &ColumnNames::default(), &mut Vec::new())?;
        Ok(Self { rows, form })
    }

    /// The same for rows whose header is known and does not come with them.
    ///
    /// # Errors
    /// A header that lacks a column or has one twice.
    pub fn with_header(
        header: &str,
        source: R,
        name: &'static str,
        description: &'a Description,
    ) -> Result<Self, ReadError> {
        let mut heading = Rows::of(header.as_bytes(), PathBuf::new(), "header");
        heading.read_header()?;
        let form = Form::of(&heading, name, description, &ColumnNames::default(), &mut Vec::new())?;
        let mut rows = Rows::of(source, PathBuf::from(name), name);
        rows.set_columns(heading.columns().to_vec());
        Ok(Self { rows, form })
    }

    /// Hands each packet to `take` until the source ends or `take` says that it wants no more, by `false`. A last line that was torn
    /// off is noted, as in a file.
    ///
    /// # Errors
    /// A row that breaks the format, with its line, column, what was found and what was expected; a source that cannot be read.
    pub fn for_each(
        &mut self,
        notes: &mut Vec<Note>,
        mut take: impl FnMut(Packet) -> bool,
    ) -> Result<(), ReadError> {
        let (form, mut wanted) = (&self.form, true);
        self.rows.while_some(notes, |row| {
            wanted = take(form.packet(row)?);
            Ok(wanted)
        })
    }
}

/// How the rows of one source are read.
struct Form<'a> {
    columns: Vec<Column>,
    limits: Limits<'a>,
    samples_last: bool,
    description: &'a Description,
}

impl<'a> Form<'a> {
    fn of<R: Read>(
        rows: &Rows<R>,
        file: &str,
        description: &'a Description,
        names: &ColumnNames,
        notes: &mut Vec<Note>,
    ) -> Result<Self, ReadError> {
        let mut limits = Limits::new(description);
        let mut columns = vec![Column::Other; rows.columns().len()];
        for (ours, column) in COLUMNS {
            let wanted = names.of(Table::Packets, ours);
            let Some(place) = rows.optional_column(wanted.name) else {
                if wanted.asked || limits.without(column, file, description, notes).is_none() {
                    rows.column(wanted.name)?;
                }
                continue;
            };
            if columns[place] != Column::Other {
                let found = format!("{:?} for two of the columns that are looked for", wanted.name);
                return Err(rows.header_fault(found, "a column of its own for each".to_owned()).into());
            }
            columns[place] = match (column, wanted.unit) {
                (Column::HostNs, Some(unit)) if unit != TimeUnit::Nanoseconds => Column::HostTime(unit),
                _ => column,
            };
        }
        let samples_last = columns.last() == Some(&Column::Samples);
        Ok(Self { columns, limits, samples_last, description })
    }

    #[inline]
    fn packet(&self, row: &Row<'_>) -> Result<Packet, Fault> {
        match read_plain(row, &self.columns, &self.limits) {
            Some(packet) if row.terminated => Ok(self.limits.filled(packet)),
            _ => self.any_packet(row),
        }
    }

    /// A row that is not as programs write them, or the last one without a line end.
    #[cold]
    fn any_packet(&self, row: &Row<'_>) -> Result<Packet, Fault> {
        let packet = self.limits.filled(read_any(row, &self.columns, &self.limits)?);
        if self.samples_last && !row.terminated {
            refuse_cut_samples(&packet, self.description, self.columns.len() - 1)?;
        }
        Ok(packet)
    }
}

fn read_parquet(
    mut table: ParquetTable,
    description: &Description,
    names: &ColumnNames,
    notes: &mut Vec<Note>,
) -> Result<Packets<'static>, ReadError> {
    let mut limits = Limits::new(description);
    let mut places = [None; COLUMNS.len()];
    for ((ours, column), place) in COLUMNS.into_iter().zip(&mut places) {
        let wanted = names.of(Table::Packets, ours);
        *place = table.optional_column(wanted)?;
        if place.is_none()
            && (wanted.asked || limits.without(column, PARQUET_FILE, description, notes).is_none())
        {
            return Err(table.without(wanted.name).into());
        }
    }
    let [Some(host), stream, Some(sequence), tick, samples] = places else {
        return Err(table.without("host_ns").into());
    };
    let instants = table.instants(host, names.of(Table::Packets, "host_ns"))?;
    let mut packets = Packets::default();
    packets.reserve(table.rows_claimed().min(MOST_PACKETS_RESERVED), tick.is_some());
    table.for_each(|cells| {
        let at = |column: usize| move |fault: parquet_in::Fault| (column, fault);
        let mut packet = Packet { host_ns: instants.ns(cells[host]).map_err(at(host))?, ..BLANK };
        if let Some(column) = stream {
            packet.stream = stream_of(cells[column], &limits).map_err(at(column))?;
        }
        let largest = limits.largest_sequence(packet.stream);
        packet.sequence = parquet_in::whole(cells[sequence], 0, largest).map_err(at(sequence))?;
        if let Some(column) = tick {
            packet.tick = tick_of(cells[column], limits.largest_tick).map_err(at(column))?;
        }
        if let Some(column) = samples {
            packet.samples = parquet_in::whole(cells[column], 1, u16::MAX).map_err(at(column))?;
        }
        packets.push(limits.filled(packet));
        Ok(())
    })?;
    Ok(packets)
}

fn stream_of(cell: parquet_in::Cell<'_>, limits: &Limits<'_>) -> Result<u8, parquet_in::Fault> {
    let name = parquet_in::text(cell)?;
    limits.stream(name.as_bytes()).map_err(|expected| parquet_in::refused(cell, expected))
}

fn tick_of(cell: parquet_in::Cell<'_>, largest: Option<u64>) -> Result<Option<u64>, parquet_in::Fault> {
    match largest {
        _ if parquet_in::is_missing(cell) => Ok(None),
        Some(largest) => parquet_in::whole(cell, 0, largest)
            .map(Some)
            .map_err(|fault| parquet_in::Fault { expected: format!("{} or none", fault.expected), ..fault }),
        None => Err(parquet_in::refused(cell, format!("none, {NO_COUNTER}"))),
    }
}

/// Rows read before memory is set aside for the rest.
const FIRST_ROWS: usize = 512;

/// A torn last line may look whole: `10` samples cut to `1`. Where the stream's usual number of samples begins with
/// what stands there, the line counts as torn.
fn refuse_cut_samples(packet: &Packet, description: &Description, index: usize) -> Result<(), Fault> {
    let usual = description.streams[usize::from(packet.stream)].samples_per_packet;
    let found = packet.samples.to_string();
    if packet.samples != usual && usual.to_string().starts_with(&found) {
        return Err(Fault::field(index, found.as_bytes(), usual.to_string()));
    }
    Ok(())
}

/// The quick way for rows as programs write them. `None` for everything else, right or wrong.
#[inline]
fn read_plain(row: &Row<'_>, columns: &[Column], limits: &Limits<'_>) -> Option<Packet> {
    if !row.plain {
        return None;
    }
    let (bytes, delimiter) = (row.bytes, row.delimiter);
    let ends = |at: usize| bytes.get(at).is_none_or(|&byte| byte == delimiter);
    let mut packet = BLANK;
    let mut sequence = 0;
    let mut at = 0;
    for (index, column) in columns.iter().enumerate() {
        if index > 0 {
            if bytes.get(at) != Some(&delimiter) {
                return None;
            }
            at += 1;
        }
        match column {
            Column::HostNs => {
                let negative = bytes.get(at) == Some(&b'-');
                let magnitude = i64::try_from(digits(bytes, &mut at, usize::from(negative))?).ok()?;
                packet.host_ns = if negative { -magnitude } else { magnitude };
            }
            Column::Sequence => sequence = digits(bytes, &mut at, 0)?,
            Column::Tick => {
                if !ends(at) {
                    packet.tick = Some(digits(bytes, &mut at, 0)?);
                }
            }
            Column::Samples => packet.samples = u16::try_from(digits(bytes, &mut at, 0)?).ok()?,
            Column::Stream => {
                let rest = &bytes[at..];
                let named = |name: &[u8]| rest.starts_with(name) && ends(at + name.len());
                let place = limits.streams.iter().position(|(name, _)| named(name))?;
                at += limits.streams[place].0.len();
                packet.stream = u8::try_from(place).ok()?;
            }
            Column::HostTime(unit) => {
                let length = memchr::memchr(delimiter, &bytes[at..]).unwrap_or(bytes.len() - at);
                packet.host_ns = decimal_ns(&bytes[at..at + length], unit.exponent())?;
                at += length;
            }
            Column::Other => {
                at += memchr::memchr(delimiter, &bytes[at..]).unwrap_or(bytes.len() - at);
            }
        }
    }
    let within = at == bytes.len()
        && sequence <= limits.streams[usize::from(packet.stream)].1
        && packet.tick.is_none_or(|tick| limits.largest_tick.is_some_and(|largest| tick <= largest))
        && packet.samples > 0;
    packet.sequence = u32::try_from(sequence).ok()?;
    within.then_some(packet)
}

/// Up to 19 digits from `at + skipped` on, which fit 64 bits; more are left to the slow way, so that nothing overflows here.
#[inline]
fn digits(bytes: &[u8], at: &mut usize, skipped: usize) -> Option<u64> {
    let begin = *at + skipped;
    let mut end = begin;
    let mut number = 0_u64;
    while let Some(digit) = bytes.get(end).map(|byte| byte.wrapping_sub(b'0')).filter(|&digit| digit < 10) {
        number = number.wrapping_mul(10).wrapping_add(u64::from(digit));
        end += 1;
    }
    *at = end;
    (1..=19).contains(&(end - begin)).then_some(number)
}

/// The thorough way: quotes, any length of number, and the exact fault.
#[cold]
fn read_any(row: &Row<'_>, columns: &[Column], limits: &Limits<'_>) -> Result<Packet, Fault> {
    let fields = split_as_header(row, columns.len())?;
    let mut packet = BLANK;
    for (index, (column, field)) in columns.iter().zip(&fields).enumerate() {
        match column {
            Column::HostNs => packet.host_ns = whole_number(index, field, i64::MIN, i64::MAX)?,
            Column::HostTime(unit) => packet.host_ns = crate::rows::instant(index, field, Some(*unit))?,
            Column::Samples => packet.samples = whole_number(index, field, 1, u16::MAX)?,
            Column::Tick => packet.tick = read_tick(index, field, limits.largest_tick)?,
            Column::Stream => {
                packet.stream =
                    limits.stream(field).map_err(|expected| Fault::field(index, field, expected))?;
            }
            Column::Sequence | Column::Other => {}
        }
    }
    // How far a sequence number may go depends on the stream, whose column may come later.
    for (index, field) in fields.iter().enumerate().filter(|&(index, _)| columns[index] == Column::Sequence) {
        packet.sequence = whole_number(index, field, 0, limits.largest_sequence(packet.stream))?;
    }
    Ok(packet)
}

const NO_COUNTER: &str = "since recording.toml has no tick_hz and tick_bits under [device_clock]";

fn read_tick(index: usize, field: &[u8], largest: Option<u64>) -> Result<Option<u64>, Fault> {
    match largest {
        _ if field.is_empty() => Ok(None),
        Some(largest) => whole_number(index, field, 0, largest)
            .map(Some)
            .map_err(|fault| Fault { expected: format!("{} or an empty field", fault.expected), ..fault }),
        None => Err(Fault::field(index, field, format!("an empty field, {NO_COUNTER}"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packet(index: u32, tick: Option<u64>) -> Packet {
        Packet { host_ns: i64::from(index) - 70, stream: 0, sequence: index, tick, samples: 5 }
    }

    #[test]
    fn any_mixture_of_packets_with_and_without_ticks_comes_back_as_pushed() {
        for first_tick in [0, 1, 63, 64, 65, 127, 128, 200] {
            for every in [1, 2, 3, 64] {
                let pushed: Vec<Packet> = (0..200)
                    .map(|index| {
                        let has = index >= first_tick && (index - first_tick) % every == 0;
                        packet(index, has.then_some(u64::from(index) * 7))
                    })
                    .collect();
                let packets: Packets<'_> = pushed.iter().copied().collect();
                assert_eq!(packets.iter().collect::<Vec<_>>(), pushed, "{first_tick} {every}");
                assert_eq!(packets.any_tick(), first_tick < 200);
            }
        }
    }

    #[test]
    fn lent_columns_are_the_same_packets_and_stay_where_they_are() {
        for every in [0, 1, 3, 64] {
            let ticks: Vec<u64> = (0..200).map(|row| row * 7).collect();
            let without: Vec<bool> = (0..200).map(|row| every == 0 || row % every != 0).collect();
            let own: Packets<'_> = (0..200_u32)
                .map(|row| packet(row, (!without[row as usize]).then(|| ticks[row as usize])))
                .collect();
            let (host_ns, stream, sequence, _, samples) = own.clone().into_columns();
            let columns = Columns {
                host_ns: &host_ns,
                stream: &stream,
                sequence: &sequence,
                tick: Some(&ticks),
                without_tick: Some(&without),
                samples: &samples,
            };
            let lent = Packets::lent(&columns).unwrap();
            assert!(lent.iter().eq(own.iter()), "{every}");
            assert_eq!((lent.host_ns().as_ptr(), lent.any_tick()), (host_ns.as_ptr(), every > 0));
            assert!(lent.heap_bytes() <= 4 * 8);
            assert_eq!(Packets::lent(&Columns { tick: None, ..columns }), None);
            for short in [
                Columns { stream: &stream[1..], ..columns },
                Columns { sequence: &sequence[1..], ..columns },
                Columns { tick: Some(&ticks[1..]), ..columns },
                Columns { without_tick: Some(&without[1..]), ..columns },
                Columns { samples: &samples[1..], ..columns },
            ] {
                assert_eq!(Packets::lent(&short), None);
            }
            let mut longer = lent;
            longer.push(packet(200, Some(9)));
            assert_eq!((longer.len(), longer.tick(200), host_ns.len()), (201, Some(9), 200));
            assert!(longer.iter().take(200).eq(own.iter()));
        }
    }

    #[test]
    fn the_first_packet_that_its_description_does_not_allow_for_is_named() {
        let described = |ticks: &str| {
            let text = format!(
                "format = 1\n[device_clock]\n{ticks}\n[[stream]]\nname = \"a\"\nrate_hz = 250.0\nsamples_per_packet = 5\n\
                 sequence_bits = 8\n"
            );
            Description::from_toml(&text, &mut Vec::new()).unwrap()
        };
        let (with, without) = (described("tick_hz = 1000.0\ntick_bits = 16"), described(""));
        let good = packet(255, Some(65_535));
        let misfit = |bad: Packet, described: &Description| {
            let packets: Packets<'_> = [Packet { tick: None, ..good }, bad].into_iter().collect();
            packets.first_misfit(described).map(|misfit| (misfit.row, misfit.column))
        };
        assert_eq!(misfit(good, &with), None);
        assert_eq!(misfit(good, &without), Some((1, "tick")));
        assert_eq!(misfit(Packet { tick: Some(65_536), ..good }, &with), Some((1, "tick")));
        assert_eq!(misfit(Packet { sequence: 256, ..good }, &with), Some((1, "sequence")));
        assert_eq!(misfit(Packet { samples: 0, ..good }, &with), Some((1, "samples")));
        assert_eq!(misfit(Packet { stream: 1, ..good }, &with), Some((1, "stream")));
    }

    #[test]
    fn a_night_stays_far_below_a_hundred_megabytes() {
        // 8 hours of 50 packets a second, pushed one by one: growth by doubling is in it.
        let packets: Packets<'_> = (0..1_440_000).map(|index| packet(index, Some(9))).collect();
        assert!(packets.heap_bytes() >= packets.len() * 23);
        assert!(packets.heap_bytes() < 60_000_000, "{} bytes", packets.heap_bytes());
    }
}
