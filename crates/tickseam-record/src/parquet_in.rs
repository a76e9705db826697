//! Tables of a recording that come as Parquet: `packets.parquet` and `events.parquet`, read a row group at a time.

mod guard;
mod heads;

use std::borrow::Cow;
use std::cell::Cell as Kept;
use std::fs::File;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;
use std::sync::{Arc, Once};

use parquet::basic::{Compression, ConvertedType, LogicalType, TimeUnit as Step, Type as Physical};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl, get_column_reader};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, FloatType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::RowGroupMetaData;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::schema::types::ColumnDescriptor;

use crate::columns::{TimeUnit, Wanted, real_ns, whole_ns};
use crate::error::{Malformed, Place, ReadError, shown};
use crate::rows::whole_expected;
use guard::Watched;

/// Rows taken out of all columns at a time: what is held besides the pages of one row group.
const BATCH_ROWS: usize = 16 * 1024;

/// Largest whole number up to which binary numbers of 64 bits have every whole number.
const LARGEST_EXACT: f64 = 9_007_199_254_740_992.0;

/// What a column of the file holds.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Holds {
    Signed,
    Unsigned,
    Real,
    /// Binary numbers of 32 bits: too coarse for instants.
    Coarse,
    Text,
    Instant(TimeUnit),
}

/// One cell; `None` where it has no value.
pub(crate) type Cell<'a> = Option<&'a Value>;

/// A value as it stands in the file.
#[derive(Clone, Debug)]
pub(crate) enum Value {
    Whole(i128),
    Real(f64),
    Text(ByteArray),
}

/// A column that is read.
#[derive(Clone, Debug)]
pub(crate) struct Column {
    place: usize,
    name: String,
    holds: Holds,
}

/// Says what is wrong with one cell.
pub(crate) struct Fault {
    pub(crate) found: String,
    pub(crate) expected: String,
}

pub(crate) struct ParquetTable {
    name: &'static str,
    file: Arc<File>,
    reader: SerializedFileReader<Watched>,
    columns: Vec<Column>,
}

impl ParquetTable {
    /// Opens a file of the folder; `None` where the folder has no such file.
    pub(crate) fn open(folder: &Path, name: &'static str) -> Result<Option<Self>, ReadError> {
        let Some((file, _)) = crate::rows::open(folder, name)? else { return Ok(None) };
        let file = Arc::new(file);
        let reader = guarded(|| SerializedFileReader::new(Watched::footer(Arc::clone(&file))))
            .map_err(|error| damaged(name, &error))?;
        Ok(Some(Self { name, file, reader, columns: Vec::new() }))
    }

    /// Rows that the file says it has.
    pub(crate) fn rows_claimed(&self) -> usize {
        usize::try_from(self.reader.metadata().file_metadata().num_rows()).unwrap_or(0)
    }

    fn fault(&self, place: Place, found: String, expected: String) -> Malformed {
        Malformed { file: self.name.to_owned(), line: 0, place, found, expected }
    }

    /// A column that the file may have, taken in; its number among those taken in.
    pub(crate) fn optional_column(&mut self, wanted: Wanted<'_>) -> Result<Option<usize>, ReadError> {
        let schema = self.reader.metadata().file_metadata().schema_descr();
        let named = |descriptor: &ColumnDescriptor| descriptor.path().parts()[0] == wanted.name;
        let mut places = (0..schema.num_columns()).filter(|&at| named(&schema.column(at)));
        let (first, second) = (places.next(), places.next());
        let schema_place = || Place::Schema { column: wanted.name.to_owned() };
        let Some(place) = first else { return Ok(None) };
        let descriptor = schema.column(place);
        let nested = descriptor.max_rep_level() > 0 || descriptor.path().parts().len() > 1;
        let holds = if nested || second.is_some() { None } else { holds(&descriptor) };
        let Some(holds) = holds else {
            let found = if nested || second.is_some() {
                "a column of columns, a list, or the name twice".to_owned()
            } else {
                format!("cells of type {}", type_name(&descriptor))
            };
            let expected = "whole numbers, DOUBLE, FLOAT, STRING or TIMESTAMP, one in each row".to_owned();
            return Err(self.fault(schema_place(), found, expected).into());
        };
        for group in 0..self.reader.metadata().num_row_groups() {
            let codec = self.reader.metadata().row_group(group).column(place).compression();
            if matches!(codec, Compression::BROTLI(_) | Compression::LZO) {
                let found = format!("cells compressed by {codec}");
                let expected = "SNAPPY, GZIP, ZSTD, LZ4 or UNCOMPRESSED ones".to_owned();
                return Err(self.fault(schema_place(), found, expected).into());
            }
        }
        if let Some(other) = self.columns.iter().find(|other| other.place == place) {
            let found = format!("{:?} for two of the columns that are looked for", other.name);
            return Err(self.fault(Place::File, found, "a column of its own for each".to_owned()).into());
        }
        if let (Holds::Instant(of_file), Some(asked)) = (holds, wanted.unit)
            && of_file != asked
        {
            let found = format!("TIMESTAMP in {}", of_file.word());
            let expected = format!("{}, as was asked for; leave the unit away", asked.word());
            return Err(self.fault(schema_place(), found, expected).into());
        }
        self.columns.push(Column { place, name: wanted.name.to_owned(), holds });
        Ok(Some(self.columns.len() - 1))
    }

    /// A column that the file must have.
    pub(crate) fn column(&mut self, wanted: Wanted<'_>) -> Result<usize, ReadError> {
        match self.optional_column(wanted)? {
            Some(column) => Ok(column),
            None => Err(self.without(wanted.name).into()),
        }
    }

    /// Says that a column is not there.
    pub(crate) fn without(&self, name: &str) -> Malformed {
        let schema = self.reader.metadata().file_metadata().schema_descr();
        let names: Vec<&str> = schema.root_schema().get_fields().iter().map(|field| field.name()).collect();
        let found = format!("the columns {}", shown(names.join(",").as_bytes()));
        self.fault(Place::File, found, format!("a column {name:?} among them"))
    }

    /// How instants of a column are read: the unit that was asked for, that of the file, or nanoseconds.
    pub(crate) fn instants(&self, column: usize, wanted: Wanted<'_>) -> Result<Instants, ReadError> {
        let Column { name, holds, .. } = &self.columns[column];
        let of_file = if let Holds::Instant(unit) = holds { Some(*unit) } else { None };
        if *holds == Holds::Coarse {
            let expected =
                "whole numbers, TIMESTAMP or DOUBLE: 32 bits are too coarse for instants".to_owned();
            let place = Place::Schema { column: name.clone() };
            return Err(self.fault(place, "cells of type FLOAT".to_owned(), expected).into());
        }
        Ok(Instants { unit: of_file.or(wanted.unit).unwrap_or(TimeUnit::Nanoseconds) })
    }

    /// Hands the cells of each row, one for each column taken in, to `take` until the file ends.
    pub(crate) fn for_each(
        &self,
        mut take: impl FnMut(&[Cell<'_>]) -> Result<(), (usize, Fault)>,
    ) -> Result<(), ReadError> {
        let mut row: u64 = 0;
        for group in 0..self.reader.num_row_groups() {
            let group = self.reader.metadata().row_group(group);
            let claimed = usize::try_from(group.num_rows()).unwrap_or(0);
            let mut readers = guarded(|| {
                self.columns
                    .iter()
                    .map(|column| CellReader::new(&self.file, group, column))
                    .collect::<Result<Vec<_>, _>>()
            })
            .map_err(|error| damaged(self.name, &error))?;
            let mut read = 0;
            while read < claimed {
                let rows = BATCH_ROWS.min(claimed - read);
                let mut batches = Vec::with_capacity(readers.len());
                for reader in &mut readers {
                    let cells = guarded(|| reader.read(rows)).map_err(|error| damaged(self.name, &error))?;
                    if cells.len() != rows {
                        let found = format!("{} rows of {claimed}", read + cells.len());
                        return Err(self.fault(Place::File, found, "all of them".to_owned()).into());
                    }
                    batches.push(cells);
                }
                let mut cells: Vec<Cell<'_>> = vec![None; batches.len()];
                for at in 0..rows {
                    row += 1;
                    for (cell, batch) in cells.iter_mut().zip(&batches) {
                        *cell = batch[at].as_ref();
                    }
                    take(&cells).map_err(|(column, Fault { found, expected })| Malformed {
                        file: self.name.to_owned(),
                        line: row,
                        place: Place::Cell { column: self.columns[column].name.clone() },
                        found,
                        expected,
                    })?;
                }
                read += rows;
            }
        }
        Ok(())
    }
}

thread_local! {
    /// This thread is inside [`guarded`].
    static GUARDED: Kept<bool> = const { Kept::new(false) };
}

/// Runs a piece of the Parquet library so that its panics are errors: bytes that contradict each other make it panic. Nobody is told of
/// such a panic but by the error.
fn guarded<T>(run: impl FnOnce() -> Result<T, ParquetError>) -> Result<T, ParquetError> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let before = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if !GUARDED.get() {
                before(info);
            }
        }));
    });
    GUARDED.set(true);
    // What was handed in is not used again after a panic: the reading ends.
    let outcome = panic::catch_unwind(AssertUnwindSafe(run));
    GUARDED.set(false);
    outcome.unwrap_or_else(|_| Err(ParquetError::General("its parts contradict each other".to_owned())))
}

fn damaged(name: &str, error: &ParquetError) -> ReadError {
    let text = error.to_string();
    let text = text.strip_prefix("Parquet error: ").unwrap_or(&text);
    Malformed {
        file: name.to_owned(),
        line: 0,
        place: Place::File,
        found: format!("a file that cannot be read ({})", text.trim_end().trim_end_matches('.')),
        expected: "a whole Parquet file".to_owned(),
    }
    .into()
}

fn holds(descriptor: &ColumnDescriptor) -> Option<Holds> {
    let logical = descriptor.logical_type_ref();
    match (descriptor.physical_type(), logical, descriptor.converted_type()) {
        (Physical::INT64, Some(LogicalType::Timestamp(stamp)), _) => Some(Holds::Instant(match stamp.unit {
            Step::MILLIS => TimeUnit::Milliseconds,
            Step::MICROS => TimeUnit::Microseconds,
            Step::NANOS => TimeUnit::Nanoseconds,
        })),
        (Physical::INT64, None, ConvertedType::TIMESTAMP_MILLIS) => {
            Some(Holds::Instant(TimeUnit::Milliseconds))
        }
        (Physical::INT64, None, ConvertedType::TIMESTAMP_MICROS) => {
            Some(Holds::Instant(TimeUnit::Microseconds))
        }
        (Physical::INT32 | Physical::INT64, Some(LogicalType::Integer(whole)), _) => {
            Some(if whole.is_signed { Holds::Signed } else { Holds::Unsigned })
        }
        (
            Physical::INT32 | Physical::INT64,
            None,
            ConvertedType::UINT_8 | ConvertedType::UINT_16 | ConvertedType::UINT_32 | ConvertedType::UINT_64,
        ) => Some(Holds::Unsigned),
        (
            Physical::INT32 | Physical::INT64,
            None,
            ConvertedType::NONE
            | ConvertedType::INT_8
            | ConvertedType::INT_16
            | ConvertedType::INT_32
            | ConvertedType::INT_64,
        ) => Some(Holds::Signed),
        // A column that is null in every row has no type of its own: read as what it is stored as.
        (Physical::INT32 | Physical::INT64, Some(LogicalType::Unknown), _) => Some(Holds::Signed),
        (Physical::DOUBLE, ..) => Some(Holds::Real),
        (Physical::FLOAT, ..) => Some(Holds::Coarse),
        (Physical::BYTE_ARRAY, Some(LogicalType::String | LogicalType::Enum) | None, converted)
            if converted != ConvertedType::DECIMAL =>
        {
            Some(Holds::Text)
        }
        _ => None,
    }
}

/// The type of a column in the words of the Parquet format.
fn type_name(descriptor: &ColumnDescriptor) -> String {
    let physical = descriptor.physical_type();
    match descriptor.converted_type() {
        ConvertedType::NONE => physical.to_string(),
        converted => format!("{converted} ({physical})"),
    }
}

/// Reads the cells of one column of one row group.
struct CellReader {
    inner: ColumnReader,
    unsigned: bool,
    optional: bool,
}

impl CellReader {
    fn new(file: &Arc<File>, group: &RowGroupMetaData, column: &Column) -> Result<Self, ParquetError> {
        let descriptor = group.column(column.place).column_descr_ptr();
        let optional = descriptor.max_def_level() > 0;
        let unsigned = column.holds == Holds::Unsigned;
        let inner = get_column_reader(descriptor, guard::pages(file, group, column.place)?);
        Ok(Self { inner, unsigned, optional })
    }

    /// The next cells: as many as are asked for, fewer only where the column ends.
    fn read(&mut self, rows: usize) -> Result<Vec<Option<Value>>, ParquetError> {
        let (optional, unsigned) = (self.optional, self.unsigned);
        match &mut self.inner {
            ColumnReader::Int32ColumnReader(inner) => read::<Int32Type>(inner, rows, optional, |value| {
                Value::Whole(if unsigned { value.cast_unsigned().into() } else { value.into() })
            }),
            ColumnReader::Int64ColumnReader(inner) => read::<Int64Type>(inner, rows, optional, |value| {
                Value::Whole(if unsigned { value.cast_unsigned().into() } else { value.into() })
            }),
            ColumnReader::FloatColumnReader(inner) => {
                read::<FloatType>(inner, rows, optional, |value| Value::Real(value.into()))
            }
            ColumnReader::DoubleColumnReader(inner) => read::<DoubleType>(inner, rows, optional, Value::Real),
            ColumnReader::ByteArrayColumnReader(inner) => {
                read::<ByteArrayType>(inner, rows, optional, Value::Text)
            }
            _ => Err(ParquetError::General("a column of another type than its schema says".to_owned())),
        }
    }
}

fn read<T: DataType>(
    inner: &mut ColumnReaderImpl<T>,
    rows: usize,
    optional: bool,
    value: impl Fn(T::T) -> Value,
) -> Result<Vec<Option<Value>>, ParquetError> {
    let (mut values, mut levels) = (Vec::with_capacity(rows), Vec::new());
    let mut read = 0;
    while read < rows {
        let levels = if optional { Some(&mut levels) } else { None };
        let (records, ..) = inner.read_records(rows - read, levels, None, &mut values)?;
        if records == 0 {
            break;
        }
        read += records;
    }
    let mut values = values.into_iter().map(value);
    Ok(if optional {
        levels.into_iter().map(|level| if level > 0 { values.next() } else { None }).collect()
    } else {
        values.map(Some).collect()
    })
}

/// A cell as a message shows it.
fn shown_cell(cell: Cell<'_>) -> String {
    match cell {
        None => "a missing value".to_owned(),
        Some(Value::Whole(number)) => format!("\"{number}\""),
        Some(Value::Real(number)) => format!("\"{number}\""),
        Some(Value::Text(bytes)) => shown(bytes.data()),
    }
}

/// Says what a cell is and what it should be.
pub(crate) fn refused(cell: Cell<'_>, expected: impl Into<String>) -> Fault {
    Fault { found: shown_cell(cell), expected: expected.into() }
}

fn fault<T>(cell: Cell<'_>, expected: impl Into<String>) -> Result<T, Fault> {
    Err(refused(cell, expected))
}

/// The same where a number was expected: a text that looks like one is still none.
fn no_number<T>(cell: Cell<'_>, expected: impl Into<String>) -> Result<T, Fault> {
    let Fault { found, expected } = refused(cell, expected);
    let found = if matches!(cell, Some(Value::Text(_))) { format!("the text {found}") } else { found };
    Err(Fault { found, expected })
}

/// True for no value: none at all, or the one that is no number, by which some programs write it.
pub(crate) fn is_missing(cell: Cell<'_>) -> bool {
    match cell {
        None => true,
        Some(Value::Real(number)) => number.is_nan(),
        Some(_) => false,
    }
}

/// A whole number, as such or as a binary number that has no fraction.
pub(crate) fn whole<T>(cell: Cell<'_>, least: T, largest: T) -> Result<T, Fault>
where
    T: Copy + TryFrom<i128> + PartialOrd + std::fmt::Display,
{
    let number = match cell {
        Some(Value::Whole(number)) => Some(*number),
        Some(Value::Real(number)) if number.fract() == 0.0 && number.abs() <= LARGEST_EXACT => {
            Some(*number as i128)
        }
        _ => None,
    };
    match number.and_then(|number| T::try_from(number).ok()) {
        Some(number) if (least..=largest).contains(&number) => Ok(number),
        _ => no_number(cell, whole_expected(least, largest)),
    }
}

/// How the instants of a column are read.
#[derive(Clone, Copy)]
pub(crate) struct Instants {
    unit: TimeUnit,
}

impl Instants {
    /// An instant, ns.
    pub(crate) fn ns(self, cell: Cell<'_>) -> Result<i64, Fault> {
        let exponent = self.unit.exponent();
        let ns = match cell {
            Some(Value::Whole(number)) => whole_ns(*number, exponent),
            Some(Value::Real(number)) if exponent > 0 => real_ns(*number, exponent),
            _ => return whole(cell, i64::MIN, i64::MAX),
        };
        match ns {
            Some(ns) => Ok(ns),
            None => fault(cell, format!("a number of {} whose nanoseconds fit 64 bits", self.unit.word())),
        }
    }
}

/// A finite number, 0 or more; `None` for a missing one.
pub(crate) fn duration_ms(cell: Cell<'_>, unit: TimeUnit) -> Result<Option<f64>, Fault> {
    let number = match cell {
        _ if is_missing(cell) => return Ok(None),
        Some(Value::Whole(number)) => *number as f64,
        Some(Value::Real(number)) => *number,
        _ => f64::NAN,
    };
    let shift = unit.exponent() - TimeUnit::Milliseconds.exponent();
    // Powers of ten up to 22 are exact, so that each way rounds once.
    let factor = 10_f64.powi(shift.abs());
    let milliseconds = if shift < 0 { number / factor } else { number * factor };
    if milliseconds.is_finite() && milliseconds >= 0.0 {
        Ok(Some(milliseconds))
    } else {
        no_number(cell, "a finite number, 0 or more, or none")
    }
}

/// A text, or a whole number as a text; empty for a missing one.
pub(crate) fn text(cell: Cell<'_>) -> Result<Cow<'_, str>, Fault> {
    match cell {
        None => Ok(Cow::Borrowed("")),
        Some(Value::Whole(number)) => Ok(Cow::Owned(number.to_string())),
        Some(Value::Real(_)) => fault(cell, "a text or a whole number"),
        Some(Value::Text(bytes)) => match std::str::from_utf8(bytes.data()) {
            Ok(text) if text.contains('\0') => fault(cell, "text without NUL bytes"),
            Ok(text) if text.len() > crate::rows::LONGEST_ROW_BYTES => {
                fault(cell, format!("at most {} bytes", crate::rows::LONGEST_ROW_BYTES))
            }
            Ok(text) => Ok(Cow::Borrowed(text)),
            Err(_) => fault(cell, "UTF-8 text"),
        },
    }
}
