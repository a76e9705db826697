//! What an alignment found, as Parquet: `placements.parquet` and `packets.parquet`.
//!
//! Equal input gives equal bytes: nothing of the time, the machine or the library's version goes into a file.

use std::io;
use std::ops::Range;
use std::sync::Arc;

use bytes::Bytes;
use parquet::basic::{Compression, Encoding, LogicalType, Repetition, Type as Physical};
use parquet::column::writer::{ColumnCloseResult, ColumnWriter, get_column_writer};
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::{SerializedFileWriter, SerializedPageWriter, TrackedWrite};
use parquet::schema::types::{ColumnDescPtr, ColumnPath, Type, TypePtr};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::packets::Packets;
use crate::results::{BudgetSummary, EventRow, EventsTable, InputFile};

/// Where the rows of a Parquet file come from: written into its metadata, each under a key that begins with `tickseam.`.
#[derive(Clone, Copy, Debug)]
pub struct Origin<'a> {
    /// Version of the software: `tickseam.version`.
    pub version: &'a str,
    /// Revision of the numerics: `tickseam.numerics_revision`.
    pub numerics_revision: u32,
    /// The files that were read: `tickseam.inputs`, a JSON list as in `alignment.json`.
    pub inputs: &'a [InputFile],
}

/// Segment of a packet that has no place on a timeline.
pub const NO_SEGMENT: u32 = u32::MAX;

/// What became of each packet of a recording: columns of one length, in the order of reception.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PacketTimeline {
    /// Segment, counted from 0; [`NO_SEGMENT`] for a packet that came twice, was refused, or was never settled.
    pub segment: Vec<u32>,
    /// Sequence number, its turns counted; anything where there is no segment.
    pub index: Vec<i64>,
    /// When the packet's first sample was taken, seconds on the timeline of `onset`; NaN where nobody can tell.
    pub first_sample_s: Vec<f64>,
    /// How much later the packet was stamped than one that never waited, ms; NaN where no estimate exists.
    pub delay_ms: Vec<f64>,
}

/// Rows of one row group. Doubled, a writer holds twice as much; halved, readers have twice as many chunks to open.
const GROUP_ROWS: usize = 256 * 1024;

/// Cells of one column, one row group of them. Levels are 1 for a value and 0 for none; `None` where the column always has one.
enum Cells {
    Whole64(Vec<i64>, Option<Vec<i16>>),
    Whole32(Vec<i32>, Option<Vec<i16>>),
    Real(Vec<f64>, Option<Vec<i16>>),
    Text(Vec<ByteArray>, Option<Vec<i16>>),
    Flag(Vec<bool>, Option<Vec<i16>>),
}

/// Cells of a table's column, of which any may be missing.
#[derive(Clone, Debug, PartialEq)]
pub enum TableCells {
    /// Text.
    Text(Vec<Option<String>>),
    /// Numbers with a fraction.
    Number(Vec<Option<f64>>),
    /// Counts.
    Count(Vec<Option<u64>>),
    /// Yes or no.
    Flag(Vec<Option<bool>>),
}

/// A column of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct TableColumn {
    /// Its name.
    pub name: &'static str,
    /// The unit of its numbers; `1` without one.
    pub unit: &'static str,
    /// One cell for each row.
    pub cells: TableCells,
}

/// The bytes of a table of columns of one length, as a Parquet file. `table` is its name.
///
/// # Errors
/// Columns of different lengths.
pub fn table_parquet(table: &str, columns: &[TableColumn], origin: &Origin<'_>) -> io::Result<Vec<u8>> {
    let length = |column: &TableColumn| match &column.cells {
        TableCells::Text(cells) => cells.len(),
        TableCells::Number(cells) => cells.len(),
        TableCells::Count(cells) => cells.len(),
        TableCells::Flag(cells) => cells.len(),
    };
    let rows = columns.first().map_or(0, length);
    if columns.iter().any(|column| length(column) != rows) {
        return Err(io::Error::other("the columns of this table are not of one length"));
    }
    let column = |TableColumn { name, unit, cells }: &'_ TableColumn| match cells {
        TableCells::Text(cells) => {
            let cells = cells.clone();
            Column::optional_text(name, move |row| cells[row].as_deref().map(ByteArray::from))
        }
        TableCells::Number(cells) => {
            let cells = cells.clone();
            Column::real(name, unit, move |row| cells[row])
        }
        TableCells::Count(cells) => {
            let cells = cells.clone();
            Column::optional_whole64(name, unit, move |row| {
                cells[row].and_then(|count| i64::try_from(count).ok())
            })
        }
        TableCells::Flag(cells) => {
            let cells = cells.clone();
            Column::new(name, unit, Physical::BOOLEAN, true, Encoding::PLAIN, move |rows| {
                let (values, levels) = present(rows, |row| cells[row]);
                Cells::Flag(values, levels)
            })
        }
    };
    let columns: Vec<Column<'_>> = columns.iter().map(column).collect();
    write_table(table, origin, &columns, rows).map_err(io::Error::other)
}

/// One column: its name, its unit (`1` for a number without one), its type, and where its cells come from.
struct Column<'a> {
    name: String,
    unit: &'static str,
    physical: Physical,
    logical: Option<LogicalType>,
    optional: bool,
    encoding: Encoding,
    fill: Box<dyn Fn(Range<usize>) -> Cells + Sync + 'a>,
}

fn unsigned(bit_width: i8) -> Option<LogicalType> {
    Some(LogicalType::integer(bit_width, false))
}

/// Values of the rows that have one, and the levels of all.
fn present<T>(rows: Range<usize>, cell: impl Fn(usize) -> Option<T>) -> (Vec<T>, Option<Vec<i16>>) {
    let mut values = Vec::with_capacity(rows.len());
    let levels = rows
        .map(|row| {
            let value = cell(row);
            let level = i16::from(value.is_some());
            values.extend(value);
            level
        })
        .collect();
    (values, Some(levels))
}

impl<'a> Column<'a> {
    fn new(
        name: &str,
        unit: &'static str,
        physical: Physical,
        optional: bool,
        encoding: Encoding,
        fill: impl Fn(Range<usize>) -> Cells + Sync + 'a,
    ) -> Self {
        let (name, fill) = (name.to_owned(), Box::new(fill));
        Self { name, unit, physical, logical: None, optional, encoding, fill }
    }

    /// Whole numbers of 64 bits that go on from row to row, so that their differences are what is stored.
    fn whole64(name: &str, unit: &'static str, cell: impl Fn(usize) -> i64 + Sync + 'a) -> Self {
        Self::new(name, unit, Physical::INT64, false, Encoding::DELTA_BINARY_PACKED, move |rows| {
            Cells::Whole64(rows.map(&cell).collect(), None)
        })
    }

    /// The same with rows that have none.
    fn optional_whole64(
        name: &str,
        unit: &'static str,
        cell: impl Fn(usize) -> Option<i64> + Sync + 'a,
    ) -> Self {
        Self::new(name, unit, Physical::INT64, true, Encoding::DELTA_BINARY_PACKED, move |rows| {
            let (values, levels) = present(rows, &cell);
            Cells::Whole64(values, levels)
        })
    }

    /// Whole numbers of at most 32 bits.
    fn whole32(
        name: &str,
        bit_width: i8,
        encoding: Encoding,
        cell: impl Fn(usize) -> u32 + Sync + 'a,
    ) -> Self {
        let column = Self::new(name, "1", Physical::INT32, false, encoding, move |rows| {
            Cells::Whole32(rows.map(|row| cell(row).cast_signed()).collect(), None)
        });
        Self { logical: unsigned(bit_width), ..column }
    }

    /// The segment of a row, which is the same for very many in a row.
    fn segment(cell: impl Fn(usize) -> Option<u32> + Sync + 'a) -> Self {
        let column =
            Self::new("segment", "1", Physical::INT32, true, Encoding::RLE_DICTIONARY, move |rows| {
                let (values, levels) = present(rows, |row| cell(row).map(u32::cast_signed));
                Cells::Whole32(values, levels)
            });
        Self { logical: unsigned(32), ..column }
    }

    /// Real numbers; one that is not finite is none.
    fn real(name: &str, unit: &'static str, cell: impl Fn(usize) -> Option<f64> + Sync + 'a) -> Self {
        Self::new(name, unit, Physical::DOUBLE, true, Encoding::BYTE_STREAM_SPLIT, move |rows| {
            let (values, levels) = present(rows, |row| cell(row).filter(|value| value.is_finite()));
            Cells::Real(values, levels)
        })
    }

    fn text(name: &str, cell: impl Fn(usize) -> ByteArray + Sync + 'a) -> Self {
        let column =
            Self::new(name, "", Physical::BYTE_ARRAY, false, Encoding::RLE_DICTIONARY, move |rows| {
                Cells::Text(rows.map(&cell).collect(), None)
            });
        Self { logical: Some(LogicalType::String), ..column }
    }

    fn optional_text(name: &str, cell: impl Fn(usize) -> Option<ByteArray> + Sync + 'a) -> Self {
        let column = Self::new(name, "", Physical::BYTE_ARRAY, true, Encoding::RLE_DICTIONARY, move |rows| {
            let (values, levels) = present(rows, &cell);
            Cells::Text(values, levels)
        });
        Self { logical: Some(LogicalType::String), ..column }
    }

    fn of_schema(&self) -> Result<TypePtr, ParquetError> {
        let repetition = if self.optional { Repetition::OPTIONAL } else { Repetition::REQUIRED };
        Type::primitive_type_builder(&self.name, self.physical)
            .with_repetition(repetition)
            .with_logical_type(self.logical.clone())
            .build()
            .map(Arc::new)
    }
}

/// One column of one row group, encoded.
type Chunk = Result<(Bytes, ColumnCloseResult), ParquetError>;

fn encode(description: ColumnDescPtr, properties: &Arc<WriterProperties>, cells: Cells) -> Chunk {
    let mut bytes = TrackedWrite::new(Vec::new());
    let pages = Box::new(SerializedPageWriter::new(&mut bytes));
    let mut writer = get_column_writer(description, Arc::clone(properties), pages);
    match (&mut writer, &cells) {
        (ColumnWriter::Int64ColumnWriter(writer), Cells::Whole64(values, levels)) => {
            writer.write_batch(values, levels.as_deref(), None)
        }
        (ColumnWriter::Int32ColumnWriter(writer), Cells::Whole32(values, levels)) => {
            writer.write_batch(values, levels.as_deref(), None)
        }
        (ColumnWriter::DoubleColumnWriter(writer), Cells::Real(values, levels)) => {
            writer.write_batch(values, levels.as_deref(), None)
        }
        (ColumnWriter::BoolColumnWriter(writer), Cells::Flag(values, levels)) => {
            writer.write_batch(values, levels.as_deref(), None)
        }
        (ColumnWriter::ByteArrayColumnWriter(writer), Cells::Text(values, levels)) => {
            writer.write_batch(values, levels.as_deref(), None)
        }
        _ => Err(ParquetError::General("a column has cells of another type than it says".to_owned())),
    }?;
    let closed = writer.close()?;
    Ok((Bytes::from(bytes.into_inner()?), closed))
}

/// Writes a table of so many rows, two columns at a time.
fn write_table(
    table: &str,
    origin: &Origin<'_>,
    columns: &[Column<'_>],
    rows: usize,
) -> Result<Vec<u8>, ParquetError> {
    let fields = columns.iter().map(Column::of_schema).collect::<Result<_, _>>()?;
    let schema = Arc::new(Type::group_type_builder(table).with_fields(fields).build()?);
    let units: serde_json::Map<_, _> =
        columns.iter().map(|column| (column.name.clone(), column.unit.into())).collect();
    let json = |value: Result<String, serde_json::Error>| {
        value.map_err(|error| ParquetError::General(error.to_string()))
    };
    let metadata = [
        ("tickseam.version", origin.version.to_owned()),
        ("tickseam.numerics_revision", origin.numerics_revision.to_string()),
        ("tickseam.table", table.to_owned()),
        ("tickseam.units", json(serde_json::to_string(&units))?),
        ("tickseam.inputs", json(serde_json::to_string(origin.inputs))?),
    ];
    let mut properties = WriterProperties::builder()
        .set_created_by(format!("tickseam version {}", origin.version))
        .set_compression(Compression::SNAPPY)
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_offset_index_disabled(true)
        .set_dictionary_enabled(false)
        .set_max_row_group_row_count(Some(GROUP_ROWS))
        .set_key_value_metadata(Some(
            metadata.into_iter().map(|(key, value)| KeyValue::new(key.to_owned(), value)).collect(),
        ));
    for column in columns {
        let path = ColumnPath::from(column.name.clone());
        properties = match column.encoding {
            Encoding::RLE_DICTIONARY => properties.set_column_dictionary_enabled(path, true),
            encoding => {
                let packed = encoding == Encoding::DELTA_BINARY_PACKED;
                let properties = properties.set_column_encoding(path.clone(), encoding);
                // Packed differences do not shrink any further.
                if packed {
                    properties.set_column_compression(path, Compression::UNCOMPRESSED)
                } else {
                    properties
                }
            }
        };
    }
    let properties = Arc::new(properties.build());
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, Arc::clone(&properties))?;
    let descriptions = writer.schema_descr().columns().to_vec();
    for begin in (0..rows).step_by(GROUP_ROWS) {
        let group = begin..rows.min(begin + GROUP_ROWS);
        let encode_one =
            |at: usize| encode(Arc::clone(&descriptions[at]), &properties, (columns[at].fill)(group.clone()));
        let chunks: Vec<Chunk> = (0..columns.len()).into_par_iter().map(encode_one).collect();
        let mut row_group = writer.next_row_group()?;
        for chunk in chunks {
            let (bytes, closed) = chunk?;
            row_group.append_column(&bytes, closed)?;
        }
        row_group.close()?;
    }
    writer.into_inner()
}

/// The column of one line of the budget, and the line.
type Line = (&'static str, fn(&BudgetSummary) -> f64);

/// The bytes of `placements.parquet`: all of `events.tsv` and, beside it, what each `u95_ms` is made of. `budgets` has one for each row
/// of the table, `None` where an event has no `u95_ms`.
///
/// Numbers are not rounded, and labels stand as they were given. Cost: the table once more, in memory.
///
/// # Errors
/// A table too large for the format.
pub fn placements_parquet(
    table: &EventsTable,
    budgets: &[Option<BudgetSummary>],
    origin: &Origin<'_>,
) -> io::Result<Vec<u8>> {
    let rows = &table.rows;
    let real = |name, unit, cell: fn(&EventRow) -> Option<f64>| {
        Column::real(name, unit, move |row| rows.get(row).and_then(cell))
    };
    let text = |text: &str| ByteArray::from(text);
    let mut columns = vec![
        real("onset", "s", |row| row.onset_s),
        real("duration", "s", |row| row.duration_s),
        Column::text("trial_type", move |row| text(&rows[row].label)),
        real("sample", "1", |row| row.sample),
        Column::whole64("host_ns", "ns", |row| rows[row].host_ns),
        Column::segment(|row| rows[row].segment),
        real("u95_ms", "ms", |row| row.u95_ms),
        Column::text("status", move |row| text(rows[row].status.as_str())),
        real("live_onset", "s", |row| row.live_onset_s),
        real("live_u95_ms", "ms", |row| row.live_u95_ms),
    ];
    columns.extend(table.further_streams.iter().enumerate().map(|(further, name)| {
        let cell = move |row: usize| rows[row].further_samples.get(further).copied().flatten();
        Column::real(&format!("sample_{name}"), "1", cell)
    }));
    columns.push(Column::optional_text("excludes", move |row| {
        rows[row].excludes_fixed_delay.then(|| text("fixed-delay"))
    }));
    let lines: [Line; 8] = [
        ("budget_link_ms", |budget| budget.link_ms),
        ("budget_statistics_ms", |budget| budget.statistics_ms),
        ("budget_lattice_ms", |budget| budget.lattice_ms),
        ("budget_curvature_ms", |budget| budget.curvature_ms),
        ("budget_holdover_ms", |budget| budget.holdover_ms),
        ("budget_fixed_delay_ms", |budget| budget.fixed_delay_ms),
        ("budget_resolution_ms", |budget| budget.resolution_ms),
        ("budget_latency_ms", |budget| budget.latency_ms),
    ];
    columns.extend(lines.map(|(name, line)| {
        Column::real(name, "ms", move |row| budgets.get(row).and_then(Option::as_ref).map(line))
    }));
    write_table("placements", origin, &columns, rows.len()).map_err(io::Error::other)
}

/// The bytes of `packets.parquet`: each packet as it was received and, beside it, where it lies and how late it came. `streams` are the
/// names of the streams, in the order of `recording.toml`.
///
/// The first five columns are those of `packets.csv`, so that the file may stand in a recording folder in its place. Cost: some
/// 20 bytes a packet for the answer, and the columns of 262,144 packets while it is made.
///
/// # Errors
/// A timeline or streams that are not those of the packets.
pub fn packets_parquet(
    packets: &Packets<'_>,
    streams: &[&str],
    timeline: &PacketTimeline,
    origin: &Origin<'_>,
) -> io::Result<Vec<u8>> {
    let PacketTimeline { segment, index, first_sample_s, delay_ms } = timeline;
    let lengths = [segment.len(), index.len(), first_sample_s.len(), delay_ms.len()];
    if lengths.iter().any(|&length| length != packets.len())
        || packets.stream().iter().any(|&stream| usize::from(stream) >= streams.len())
    {
        return Err(io::Error::other("the timeline or the streams are not those of these packets"));
    }
    let names: Vec<ByteArray> = streams.iter().map(|&name| ByteArray::from(name)).collect();
    let segment_of = |row: usize| Some(segment[row]).filter(|&segment| segment != NO_SEGMENT);
    let tick = Column::optional_whole64("tick", "1", |row| packets.tick(row).map(u64::cast_signed));
    let columns = [
        Column::whole64("host_ns", "ns", |row| packets.host_ns()[row]),
        Column::text("stream", |row| names[usize::from(packets.stream()[row])].clone()),
        Column::whole32("sequence", 32, Encoding::DELTA_BINARY_PACKED, |row| packets.sequence()[row]),
        Column { logical: unsigned(64), ..tick },
        Column::whole32("samples", 16, Encoding::RLE_DICTIONARY, |row| packets.samples()[row].into()),
        Column::segment(segment_of),
        Column::optional_whole64("index", "1", |row| segment_of(row).map(|_| index[row])),
        Column::real("first_sample_s", "s", |row| Some(first_sample_s[row])),
        Column::real("delay_ms", "ms", |row| Some(delay_ms[row])),
    ];
    write_table("packets", origin, &columns, packets.len()).map_err(io::Error::other)
}
