//! `layout.toml`: where in a device's notifications its numbers stand.
//!
//! # The file
//! All keys of `recording.toml` ([`Description`]), which go into the recording as they are, and in each `[[stream]]` a table
//! `[stream.packet]`:
//!
//! ```toml
//! format = 1
//!
//! [device_clock]
//! tick_hz = 32768.0
//! tick_bits = 32
//! tolerance_ppm = 50.0
//!
//! [link]
//! fixed_delay_ms = 22.6
//! fixed_delay_u_ms = 0.2
//!
//! [[stream]]
//! name = "eeg"
//! rate_hz = 250.0
//! samples_per_packet = 5
//! sequence_bits = 16
//!
//! [stream.packet]
//! handle = 0x0012                                # attribute handle of the characteristic's value
//! bytes = 67                                     # length of the value
//! when = { at = 6, bits = 8, is = 1 }            # only values with this in them
//! sequence = { at = 0 }                          # bits: as many as sequence_bits
//! tick = { at = 2, order = "big" }               # bits: as many as tick_bits
//!
//! [stream.packet.samples]
//! at = 7
//! bits = 24
//! kind = "signed"
//! order = "big"
//! channels = 4
//! arrangement = "interleaved"
//! scale = 0.02235
//! unit = "uV"
//! ```
//!
//! | key | what it says | where it is absent |
//! | --- | --- | --- |
//! | `handle` | attribute handle, 1 to 65535; several streams may share one | needed |
//! | `bytes` | the value's length; values of another length are left out and counted | any length that holds what is read |
//! | `when` | a number with `is`: values in which it is another one are left out and counted | all values are taken |
//! | `sequence` | the packet's sequence number | needed |
//! | `tick` | the device's counter at the packet's first sample | the packets have none |
//! | `count` | samples in the packet: a number, or `"rest"` where they fill the value to its end | always `samples_per_packet` |
//! | `samples` | the samples themselves | no `<stream>.npy` is written |
//!
//! A **number** has these keys: `at`, the byte of the value where it begins, from 0; `bit`, where in that byte, from 0 (absent: 0);
//! `bits`, its width, 1 to 64, or to 32 for samples; `order`, `"little"` (absent: so) or `"big"`. Widths that are not of whole bytes are read
//! as the bits lie: with `"little"` the bits of a byte count from its least significant one, and the number's first bit is its least
//! significant; with `"big"` both count from the most significant. Samples follow each other without space, so 12-bit samples take three bytes for two.
//!
//! `samples` has besides: `kind`, `"signed"` (two's complement), `"unsigned"` or `"float"` (IEEE 754, 32 bits); `channels` (absent: 1);
//! `arrangement`, `"interleaved"` (all channels of the first sample, then of the second; absent: so) or `"planar"` (all samples of the first channel
//! in this packet, then of the second); `zero`, the whole number that means zero (absent: 0); `scale`, by which it is multiplied after that
//! (absent: 1); `unit`, which is only said, in the summary.
//!
//! # What the array file holds
//! `<stream>.npy` has the shape (packets of the stream in the order of `packets.csv`, samples, channels). Its type follows from the layout alone:
//! - without `count`, `zero` and `scale`, whole numbers stay what they are: `<i2` or `<i4`, `<u2` or `<u4`, whichever holds them;
//! - with one of them, and for `"float"`, `<f4` for samples of up to 24 bits and for floats (a whole number of 24 bits is exact in it), else `<f8`;
//! - with `count`, as many samples as the largest packet has; the places that a packet leaves empty hold NaN, which is why they are floating point.

use crate::description::{Bound, Description, DeviceClock, Stream, Table};
use crate::error::{Malformed, Note};
use crate::npy_writer::NpyType;

/// A device's notifications, described.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    /// What goes into `recording.toml`.
    pub description: Description,
    /// For each stream of the description, where its numbers stand.
    pub packets: Vec<PacketLayout>,
}

/// Where the numbers of one stream's packets stand.
#[derive(Clone, Debug, PartialEq)]
pub struct PacketLayout {
    /// Attribute handle of the characteristic's value.
    pub handle: u16,
    /// Length of the value, where it is always the same.
    pub bytes: Option<u16>,
    /// A number that tells this stream's values from others.
    pub when: Option<(Field, u64)>,
    /// The sequence number.
    pub sequence: Field,
    /// The device's counter.
    pub tick: Option<Field>,
    /// How many samples there are.
    pub count: Count,
    /// The samples.
    pub samples: Option<SampleLayout>,
}

/// Which end of a number comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// The least significant.
    Little,
    /// The most significant.
    Big,
}

/// Where a number stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Field {
    /// Its first bit, from the value's beginning.
    pub bit: usize,
    /// Its width in bits.
    pub bits: u8,
    /// Which end comes first.
    pub order: Order,
}

/// How many samples a packet has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Count {
    /// As many as the description says.
    Usual,
    /// As many as it says itself.
    Said(Field),
    /// As many as there is room for.
    Rest,
}

/// What a sample's bits mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleKind {
    /// A whole number in two's complement.
    Signed,
    /// A whole number, 0 or more.
    Unsigned,
    /// IEEE 754, 32 bits.
    Float,
}

/// Where the samples stand and what they mean.
#[derive(Clone, Debug, PartialEq)]
pub struct SampleLayout {
    /// The first of them.
    pub first: Field,
    /// What its bits mean.
    pub kind: SampleKind,
    /// Channels, 1 or more.
    pub channels: u16,
    /// True where all samples of one channel come before those of the next.
    pub planar: bool,
    /// The raw number that means zero.
    pub zero: Option<i64>,
    /// What one step is worth.
    pub scale: Option<f64>,
    /// Of what.
    pub unit: Option<String>,
}

/// A value that its layout does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Misfit {
    pub(crate) found: String,
    pub(crate) expected: String,
}

/// What a value says of its packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Read {
    pub(crate) sequence: u32,
    pub(crate) tick: Option<u64>,
    pub(crate) samples: u16,
}

impl Field {
    fn end_bit(self) -> usize {
        self.bit + usize::from(self.bits)
    }

    /// The number; `None` where the value ends before it does.
    pub(crate) fn read(self, value: &[u8]) -> Option<u64> {
        let (first, shift) = (self.bit / 8, self.bit % 8);
        let bits = usize::from(self.bits);
        let bytes = value.get(first..first + (shift + bits).div_ceil(8))?;
        let held = 8 * bytes.len();
        let mask = u64::MAX >> (64 - bits);
        if held > 64 {
            // A number of 58 to 64 bits that begins within a byte.
            let wide = |sum: u128, byte: &u8| sum << 8 | u128::from(*byte);
            let number = match self.order {
                Order::Little => bytes.iter().rev().fold(0, wide) >> shift,
                Order::Big => bytes.iter().fold(0, wide) >> (held - shift - bits),
            };
            return Some(number as u64 & mask);
        }
        let narrow = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
        let number = match self.order {
            Order::Little => bytes.iter().rev().fold(0, narrow) >> shift,
            Order::Big => bytes.iter().fold(0, narrow) >> (held - shift - bits),
        };
        Some(number & mask)
    }
}

impl SampleLayout {
    /// Type of the numbers in the array file.
    fn numbers(&self, count: Count) -> NpyType {
        let whole = self.kind != SampleKind::Float
            && count == Count::Usual
            && self.zero.is_none()
            && self.scale.is_none();
        match (whole, self.kind, self.first.bits) {
            (true, SampleKind::Unsigned, ..=16) => NpyType::U16,
            (true, SampleKind::Unsigned, _) => NpyType::U32,
            (true, _, ..=16) => NpyType::I16,
            (true, _, _) => NpyType::I32,
            (false, SampleKind::Float, _) | (false, _, ..=24) => NpyType::F32,
            (false, _, _) => NpyType::F64,
        }
    }

    /// The bits of one number, as a whole number with its sign where it has one.
    fn whole(&self, raw: u64) -> i64 {
        let unused = 64 - u32::from(self.first.bits);
        if self.kind == SampleKind::Signed { ((raw << unused) as i64) >> unused } else { raw as i64 }
    }

    /// Writes the samples of one packet, and NaN for those that it lacks of `most`.
    fn write(
        &self,
        value: &[u8],
        samples: usize,
        most: usize,
        numbers: NpyType,
        row: &mut Vec<u8>,
    ) -> Option<()> {
        let channels = usize::from(self.channels);
        let width = usize::from(self.first.bits);
        for sample in 0..samples {
            for channel in 0..channels {
                let place =
                    if self.planar { channel * samples + sample } else { sample * channels + channel };
                let field = Field { bit: self.first.bit + place * width, ..self.first };
                let raw = field.read(value)?;
                let number = || {
                    let read = match self.kind {
                        SampleKind::Float => {
                            f64::from(f32::from_bits(raw as u32)) - self.zero.unwrap_or(0) as f64
                        }
                        // The difference may need a bit more than either has.
                        _ => (i128::from(self.whole(raw)) - i128::from(self.zero.unwrap_or(0))) as f64,
                    };
                    self.scale.map_or(read, |scale| read * scale)
                };
                match numbers {
                    NpyType::I16 => row.extend_from_slice(&(self.whole(raw) as i16).to_le_bytes()),
                    NpyType::U16 => row.extend_from_slice(&(raw as u16).to_le_bytes()),
                    NpyType::I32 => row.extend_from_slice(&(self.whole(raw) as i32).to_le_bytes()),
                    NpyType::U32 => row.extend_from_slice(&(raw as u32).to_le_bytes()),
                    NpyType::F32 => row.extend_from_slice(&(number() as f32).to_le_bytes()),
                    NpyType::F64 => row.extend_from_slice(&number().to_le_bytes()),
                }
            }
        }
        for _ in samples * channels..most * channels {
            match numbers {
                NpyType::F64 => row.extend_from_slice(&f64::NAN.to_le_bytes()),
                _ => row.extend_from_slice(&f32::NAN.to_le_bytes()),
            }
        }
        Some(())
    }
}

impl PacketLayout {
    /// True for a value of this stream: by its length, and by the number that tells.
    pub(crate) fn selects(&self, value: &[u8]) -> bool {
        self.bytes.is_none_or(|bytes| value.len() == usize::from(bytes))
            && self.when.is_none_or(|(field, is)| field.read(value) == Some(is))
    }

    /// Reads what `packets.csv` needs.
    pub(crate) fn read(&self, value: &[u8], clock: &DeviceClock, stream: &Stream) -> Result<Read, Misfit> {
        let number = |field: Field, key: &str, largest: u64| {
            let Some(number) = field.read(value) else {
                let expected = format!("at least {} for {key}", field.end_bit().div_ceil(8));
                return Err(Misfit { found: format!("a value of {} bytes", value.len()), expected });
            };
            if number > largest {
                let expected = format!("at most {largest} by the width of the counter");
                return Err(Misfit { found: format!("{number} as {key} of \"{}\"", stream.name), expected });
            }
            Ok(number)
        };
        let sequence = number(self.sequence, "sequence", crate::description::largest(stream.sequence_bits))?;
        let tick = match self.tick {
            None => None,
            Some(field) => Some(number(field, "tick", clock.largest_tick().unwrap_or(0))?),
        };
        let samples = self.samples(value, stream)?;
        Ok(Read { sequence: sequence as u32, tick, samples })
    }

    /// How many samples a value has.
    pub(crate) fn samples(&self, value: &[u8], stream: &Stream) -> Result<u16, Misfit> {
        let width = self.samples.as_ref().map_or((0, 0), |samples| {
            (samples.first.bit, usize::from(samples.first.bits) * usize::from(samples.channels))
        });
        let (first_bit, sample_bits) = width;
        let long = || format!("a value of {} bytes", value.len());
        let count = match self.count {
            Count::Usual => usize::from(stream.samples_per_packet),
            Count::Said(field) => match field.read(value) {
                Some(number @ 1..=65_535) => number as usize,
                Some(number) => {
                    let found = format!("{number} as the count of samples of \"{}\"", stream.name);
                    return Err(Misfit { found, expected: "1 to 65535".to_owned() });
                }
                None => {
                    let expected = format!("at least {} for count", field.end_bit().div_ceil(8));
                    return Err(Misfit { found: long(), expected });
                }
            },
            Count::Rest => {
                let room = (8 * value.len()).saturating_sub(first_bit);
                let count = room.checked_div(sample_bits).unwrap_or(0);
                // Samples that are no whole number of bytes may leave some bits of the last byte empty.
                let left_bits = room - count * sample_bits;
                if count == 0 || count > 65_535 || left_bits >= 8 {
                    let expected =
                        format!("samples of {sample_bits} bits each from byte {} to the end", first_bit / 8);
                    return Err(Misfit { found: long(), expected });
                }
                count
            }
        };
        let needed = (first_bit + count * sample_bits).div_ceil(8);
        if value.len() < needed {
            return Err(Misfit { found: long(), expected: format!("at least {needed} for {count} samples") });
        }
        Ok(count as u16)
    }

    /// Type of the numbers in the array file; `None` where there is none.
    pub fn numbers(&self) -> Option<NpyType> {
        self.samples.as_ref().map(|samples| samples.numbers(self.count))
    }

    /// Writes the samples of a value that was read before.
    pub(crate) fn write_samples(
        &self,
        value: &[u8],
        samples: u16,
        most: u16,
        row: &mut Vec<u8>,
    ) -> Option<()> {
        let layout = self.samples.as_ref()?;
        layout.write(value, usize::from(samples), usize::from(most), self.numbers()?, row)
    }

    /// Bytes of a value that the layout reads, where that is always the same number.
    fn reads_bytes(&self, stream: &Stream) -> usize {
        let samples = match (&self.samples, self.count) {
            (Some(samples), Count::Usual) => {
                let width = usize::from(samples.first.bits) * usize::from(samples.channels);
                samples.first.bit + usize::from(stream.samples_per_packet) * width
            }
            (Some(samples), _) => samples.first.end_bit(),
            (None, _) => 0,
        };
        let said = if let Count::Said(field) = self.count { Some(field) } else { None };
        let fields = [Some(self.sequence), self.tick, said, self.when.map(|when| when.0)];
        let end = fields.into_iter().flatten().map(Field::end_bit).fold(samples, usize::max);
        end.div_ceil(8)
    }
}

impl Layout {
    /// Reads the text of a layout; `file` is its name in messages. Keys that are not known to this version are noted and passed over.
    pub fn from_toml(file: &str, text: &str, notes: &mut Vec<Note>) -> Result<Self, Malformed> {
        let mut packets = Vec::new();
        let mut found = Vec::new();
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let description = Description::from_toml_with(file, text, &mut found, |table, clock, stream| {
            packets.push(read_packet(table, clock, stream, notes)?);
            Ok(())
        })?;
        notes.append(&mut found);
        notes.sort_by_key(|note| note.line);
        Ok(Self { description, packets })
    }
}

fn read_packet(
    stream_table: &mut Table<'_, '_>,
    clock: &DeviceClock,
    stream: &Stream,
    notes: &mut Vec<Note>,
) -> Result<PacketLayout, Malformed> {
    const EXPECTED_BYTES: &str = "a whole number from 1 to 65535";
    let Some(mut table) = stream_table.table("packet")? else {
        return Err(stream_table.missing("packet", "a table that says where its numbers stand"));
    };
    let handle = table.whole("handle", 1, 65_535, "an attribute handle, 1 to 65535")? as u16;
    let bytes = match table.has("bytes") {
        true => Some(table.whole("bytes", 1, 65_535, EXPECTED_BYTES)? as u16),
        false => None,
    };
    let when = match table.table("when")? {
        None => None,
        Some(mut when) => {
            let field = read_field(&mut when, None, 64)?;
            let largest = u64::MAX >> (64 - field.bits);
            let is = when.whole("is", 0, largest, &format!("a whole number from 0 to {largest}"))?;
            when.finish(notes);
            Some((field, is))
        }
    };
    let sequence = match table.table("sequence")? {
        None => return Err(table.missing("sequence", "where the sequence number stands: { at = 0 }")),
        Some(mut field) => {
            let sequence = read_field(&mut field, Some(stream.sequence_bits), 64)?;
            if sequence.bits < stream.sequence_bits {
                return Err(
                    field.fault_at("bits", &format!("at least sequence_bits, {}", stream.sequence_bits))
                );
            }
            field.finish(notes);
            sequence
        }
    };
    let tick = match table.table("tick")? {
        None => None,
        Some(mut field) => {
            let Some(tick_bits) = clock.tick_bits else {
                return Err(
                    table.fault_at("tick", "tick_hz and tick_bits under [device_clock] to go with it")
                );
            };
            let tick = read_field(&mut field, Some(tick_bits), 64)?;
            if tick.bits < tick_bits {
                return Err(field.fault_at("bits", &format!("at least tick_bits, {tick_bits}")));
            }
            field.finish(notes);
            Some(tick)
        }
    };
    let samples = match table.table("samples")? {
        None => None,
        Some(samples) => Some(read_samples(samples, notes)?),
    };
    let count = read_count(&mut table, samples.is_some(), notes)?;
    let packet = PacketLayout { handle, bytes, when, sequence, tick, count, samples };
    let reads = packet.reads_bytes(stream);
    if let Some(bytes) = bytes
        && reads > usize::from(bytes)
    {
        return Err(table.fault_at("bytes", &format!("at least {reads}, which the rest of this table reads")));
    }
    if reads > 65_535 {
        return Err(table.missing("samples", &format!("numbers within 65535 bytes, not {reads}")));
    }
    table.finish(notes);
    Ok(packet)
}

/// A number's place; `bits` is its width where it does not say one.
fn read_field(table: &mut Table<'_, '_>, bits: Option<u8>, most: u8) -> Result<Field, Malformed> {
    let at = table.whole("at", 0, 65_535, "a byte of the value, 0 to 65535")? as usize;
    let bit = match table.has("bit") {
        true => table.whole("bit", 0, 7, "a bit of that byte, 0 to 7")? as usize,
        false => 0,
    };
    let bits = match (table.has("bits"), bits) {
        (false, Some(bits)) => bits,
        _ => table.whole("bits", 1, u64::from(most), &format!("a width in bits, 1 to {most}"))? as u8,
    };
    let order = match read_choice(table, "order", &["little", "big"])? {
        Some(1) => Order::Big,
        _ => Order::Little,
    };
    Ok(Field { bit: at * 8 + bit, bits, order })
}

/// Which of some words stands there.
fn read_choice(
    table: &mut Table<'_, '_>,
    key: &'static str,
    words: &[&str],
) -> Result<Option<usize>, Malformed> {
    let quoted: Vec<String> = words.iter().map(|word| format!("{word:?}")).collect();
    let expected = quoted.join(" or ");
    let Some(text) = table.text(key, &expected)? else { return Ok(None) };
    match words.iter().position(|word| *word == text) {
        Some(place) => Ok(Some(place)),
        None => Err(table.fault_at(key, &expected)),
    }
}

fn read_count(table: &mut Table<'_, '_>, samples: bool, notes: &mut Vec<Note>) -> Result<Count, Malformed> {
    const EXPECTED: &str = "\"rest\", or where the number of samples stands: { at = 6, bits = 8 }";
    if !table.has("count") {
        return Ok(Count::Usual);
    }
    if table.is_text("count") {
        return match table.text("count", EXPECTED)?.as_deref() {
            Some("rest") if samples => Ok(Count::Rest),
            Some("rest") => Err(table.fault_at("count", "[stream.packet.samples] to go with it")),
            _ => Err(table.fault_at("count", EXPECTED)),
        };
    }
    match table.table("count")? {
        None => Ok(Count::Usual),
        Some(mut field) => {
            let count = read_field(&mut field, None, 16)?;
            field.finish(notes);
            Ok(Count::Said(count))
        }
    }
}

fn read_samples(mut table: Table<'_, '_>, notes: &mut Vec<Note>) -> Result<SampleLayout, Malformed> {
    const KINDS: [&str; 3] = ["signed", "unsigned", "float"];
    let first = read_field(&mut table, None, 32)?;
    let kind = match read_choice(&mut table, "kind", &KINDS)? {
        Some(0) => SampleKind::Signed,
        Some(1) => SampleKind::Unsigned,
        Some(_) => SampleKind::Float,
        None => return Err(table.missing("kind", "\"signed\" or \"unsigned\" or \"float\"")),
    };
    if kind == SampleKind::Float && first.bits != 32 {
        return Err(table.fault_at("bits", "32, the width of the floats that are read here"));
    }
    let channels = match table.has("channels") {
        true => table.whole("channels", 1, 4096, "a whole number from 1 to 4096")? as u16,
        false => 1,
    };
    let planar = read_choice(&mut table, "arrangement", &["interleaved", "planar"])? == Some(1);
    let zero = match table.number("zero", Bound::Finite)? {
        Some(zero) if zero.fract() == 0.0 && zero.abs() <= 4_294_967_296.0 => Some(zero as i64),
        Some(_) => return Err(table.fault_at("zero", "a whole number of at most 2^32 either way")),
        None => None,
    };
    let scale = table.number("scale", Bound::Finite)?;
    if scale == Some(0.0) {
        return Err(table.fault_at("scale", "a finite number other than 0"));
    }
    let unit = table.text("unit", "a text such as \"uV\"")?;
    table.finish(notes);
    Ok(SampleLayout { first, kind, channels, planar, zero, scale, unit })
}
