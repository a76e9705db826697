//! Parquet in and out, from outside: files of many shapes are read as the text would be, and what is wrong is said.

use std::fs;
use std::sync::Arc;

use parquet::basic::Compression;
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use tempfile::TempDir;
use tickseam_record::{
    BudgetSummary, EventRow, EventsTable, InputFile, NO_SEGMENT, Origin, Packet, PacketTimeline, Packets,
    Recording, Status, hash_inputs, packets_parquet, placements_parquet, read, read_named,
};

const TOML: &str = r#"format = 1
[device_clock]
tick_hz = 32768.0
tick_bits = 32
[[stream]]
name = "eeg"
rate_hz = 250.0
samples_per_packet = 10
sequence_bits = 16
[[stream]]
name = "7"
rate_hz = 50
samples_per_packet = 2
sequence_bits = 8
"#;

/// The cells of a column; in an optional one some may be none.
#[derive(Clone)]
enum Cells {
    Int(Vec<Option<i32>>),
    Long(Vec<Option<i64>>),
    Double(Vec<Option<f64>>),
    Float(Vec<Option<f32>>),
    Text(Vec<Option<&'static str>>),
    Bool(Vec<bool>),
}

use Cells::{Bool, Double, Float, Int, Long, Text};

fn some<T: Copy>(values: &[T]) -> Vec<Option<T>> {
    values.iter().copied().map(Some).collect()
}

/// A Parquet file of these columns, three rows in a row group.
fn file(schema: &str, columns: &[Cells], compression: Compression) -> Vec<u8> {
    let schema = Arc::new(parse_message_type(&format!("message table {{ {schema} }}")).unwrap());
    let properties = WriterProperties::builder()
        .set_compression(compression)
        .set_statistics_enabled(EnabledStatistics::Page)
        .build();
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, Arc::new(properties)).unwrap();
    let rows = match &columns[0] {
        Int(cells) => cells.len(),
        Long(cells) => cells.len(),
        Double(cells) => cells.len(),
        Float(cells) => cells.len(),
        Text(cells) => cells.len(),
        Bool(cells) => cells.len(),
    };
    for begin in (0..rows).step_by(3) {
        let group = begin..rows.min(begin + 3);
        let mut row_group = writer.next_row_group().unwrap();
        for cells in columns {
            let mut column = row_group.next_column().unwrap().unwrap();
            macro_rules! write {
                ($writer:expr, $cells:expr, $of:expr) => {{
                    let cells = &$cells[group.clone()];
                    let levels: Vec<i16> = cells.iter().map(|cell| i16::from(cell.is_some())).collect();
                    let values: Vec<_> = cells.iter().flatten().copied().map($of).collect();
                    $writer.write_batch(&values, Some(&levels), None).unwrap();
                }};
            }
            match (column.untyped(), cells) {
                (ColumnWriter::Int32ColumnWriter(writer), Int(cells)) => write!(writer, cells, |cell| cell),
                (ColumnWriter::Int64ColumnWriter(writer), Long(cells)) => write!(writer, cells, |cell| cell),
                (ColumnWriter::DoubleColumnWriter(writer), Double(cells)) => {
                    write!(writer, cells, |cell| cell)
                }
                (ColumnWriter::FloatColumnWriter(writer), Float(cells)) => write!(writer, cells, |cell| cell),
                (ColumnWriter::ByteArrayColumnWriter(writer), Text(cells)) => {
                    write!(writer, cells, |cell: &str| ByteArray::from(cell));
                }
                (ColumnWriter::BoolColumnWriter(writer), Bool(cells)) => {
                    writer.write_batch(&cells[group.clone()], None, None).unwrap();
                }
                _ => panic!("cells of another type than the schema's"),
            }
            column.close().unwrap();
        }
        row_group.close().unwrap();
    }
    writer.into_inner().unwrap()
}

fn folder(toml: &str, files: &[(&str, &[u8])]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("recording.toml"), toml).unwrap();
    for (name, content) in files {
        fs::write(folder.path().join(name), content).unwrap();
    }
    folder
}

fn read_with(toml: &str, names: &str, files: &[(&str, &[u8])]) -> Result<Recording, String> {
    let folder = folder(toml, files);
    let names = if names.is_empty() { Default::default() } else { names.parse().unwrap() };
    let shown = folder.path().display().to_string();
    read_named(folder.path(), &names).map_err(|error| error.to_string().replace(&shown, "FOLDER"))
}

fn read_packets(schema: &str, columns: &[Cells]) -> Result<Recording, String> {
    read_with(TOML, "", &[("packets.parquet", &file(schema, columns, Compression::SNAPPY))])
}

const CSV: &str = "host_ns,stream,sequence,tick,samples\n\
    -5,eeg,65535,4294967295,10\n1000,7,255,,2\n2000,eeg,0,0,10\n3000,eeg,1,7,11\n";

const SCHEMA: &str = "required int64 host_ns; required binary stream (STRING); required int32 sequence (INTEGER(16,false)); \
    optional int64 tick; required int32 samples;";

fn columns() -> [Cells; 5] {
    [
        Long(some(&[-5, 1000, 2000, 3000])),
        Text(some(&["eeg", "7", "eeg", "eeg"])),
        Int(some(&[65_535, 255, 0, 1])),
        Long(vec![Some(4_294_967_295), None, Some(0), Some(7)]),
        Int(some(&[10, 2, 10, 11])),
    ]
}

#[test]
fn columns_of_every_lawful_type_are_the_packets_of_the_text() {
    let expected = read_with(TOML, "", &[("packets.csv", CSV.as_bytes())]).unwrap().packets;
    let [host, stream, sequence, tick, samples] = columns();
    let usual = [host.clone(), stream.clone(), sequence, tick, samples];
    for compression in [
        Compression::UNCOMPRESSED,
        Compression::SNAPPY,
        Compression::GZIP(Default::default()),
        Compression::ZSTD(Default::default()),
        Compression::LZ4_RAW,
    ] {
        let bytes = file(SCHEMA, &usual, compression);
        let found = read_with(TOML, "", &[("packets.parquet", &bytes)]).unwrap();
        assert_eq!((found.packets, found.notes), (expected.clone(), vec![]), "{compression}");
    }
    // Other widths, other order, a column more; and as pandas writes whole numbers of which some are missing.
    let wide = "required int64 samples (INTEGER(64,false)); required double other; optional double tick; \
                optional int64 sequence; optional binary stream (STRING); optional int64 host_ns;";
    let found = read_packets(
        wide,
        &[
            Long(some(&[10, 2, 10, 11])),
            Double(some(&[0.5; 4])),
            Double(vec![Some(4_294_967_295.0), Some(f64::NAN), Some(0.0), Some(7.0)]),
            Long(some(&[65_535, 255, 0, 1])),
            stream.clone(),
            host,
        ],
    );
    assert_eq!(found.unwrap().packets, expected);
    // Unsigned numbers beyond the signed ones, and streams by whole numbers.
    let toml = TOML
        .replace("tick_bits = 32", "tick_bits = 64")
        .replace("bits = 16", "bits = 32")
        .replace("eeg", "8");
    let schema = "required int64 host_ns (TIMESTAMP(MICROS,true)); required int32 stream (INTEGER(8,true)); \
                  required int32 sequence (INTEGER(32,false)); required int64 tick (INTEGER(64,false)); \
                  required int32 samples (INTEGER(16,false));";
    let cells = [Long(some(&[1])), Int(some(&[8])), Int(some(&[-1])), Long(some(&[-1])), Int(some(&[3]))];
    let found =
        read_with(&toml, "", &[("packets.parquet", &file(schema, &cells, Compression::SNAPPY))]).unwrap();
    let packet = Packet { host_ns: 1000, stream: 0, sequence: u32::MAX, tick: Some(u64::MAX), samples: 3 };
    assert_eq!(found.packets.iter().collect::<Vec<_>>(), [packet]);
}

#[test]
fn instants_in_other_units_are_exact() {
    let rest = "required binary stream (STRING); required int32 sequence; optional int64 tick; required int32 samples;";
    let host_ns = |schema: &str, cells: Cells, names: &str| {
        let [_, stream, sequence, tick, samples] = columns();
        let bytes =
            file(&format!("{schema} {rest}"), &[cells, stream, sequence, tick, samples], Compression::SNAPPY);
        read_with(TOML, names, &[("packets.parquet", &bytes)]).map(|found| found.packets.host_ns().to_vec())
    };
    let whole = Long(some(&[-5, 0, 1, 1_700_000_000_123]));
    let in_ms = vec![-5_000_000, 0, 1_000_000, 1_700_000_000_123_000_000];
    assert_eq!(host_ns("required int64 t;", whole.clone(), "host_ns=t:ms"), Ok(in_ms.clone()));
    let stamped = "required int64 t (TIMESTAMP(MILLIS,false));";
    assert_eq!(host_ns(stamped, whole.clone(), "host_ns=t"), Ok(in_ms.clone()));
    assert_eq!(host_ns(stamped, whole.clone(), "host_ns=t:ms"), Ok(in_ms));
    assert_eq!(
        host_ns(stamped, whole.clone(), "host_ns=t:us"),
        Err("packets.parquet, column \"t\": found TIMESTAMP in milliseconds, expected microseconds, as was asked for; \
             leave the unit away"
            .to_owned())
    );
    assert_eq!(
        host_ns("required int64 t;", whole, "host_ns=t:s"),
        Err("packets.parquet row 4, column \"t\": found \"1700000000123\", expected a number of seconds whose nanoseconds \
             fit 64 bits"
            .to_owned())
    );
    let seconds = Double(some(&[-1.5, 0.0, 86_400.000_000_001, 12.345_678_901]));
    assert_eq!(
        host_ns("required double t;", seconds, "host_ns=t:s"),
        Ok(vec![-1_500_000_000, 0, 86_400_000_000_001, 12_345_678_901])
    );
    let fraction = Double(some(&[0.5; 4]));
    let whole_number = "a whole number from -9223372036854775808 to 9223372036854775807";
    assert_eq!(
        host_ns("required double t;", fraction, "host_ns=t"),
        Err(format!("packets.parquet row 1, column \"t\": found \"0.5\", expected {whole_number}"))
    );
    assert_eq!(
        host_ns("required float t;", Float(some(&[0.5; 4])), "host_ns=t:s"),
        Err("packets.parquet, column \"t\": found cells of type FLOAT, expected whole numbers, TIMESTAMP or DOUBLE: 32 bits \
             are too coarse for instants"
            .to_owned())
    );
}

#[test]
fn a_cell_that_breaks_the_format_is_named_by_row_and_column() {
    type Spoil = fn(&mut [Cells; 5]);
    let spoils: [(Spoil, &str); 9] = [
        (
            |c| c[0] = Long(vec![Some(1), None, Some(2), Some(3)]),
            "row 2, column \"host_ns\": found a missing value, expected a whole number from -9223372036854775808 to \
             9223372036854775807",
        ),
        (
            |c| c[1] = Text(some(&["eeg", "7", "eeg", "ecg"])),
            "row 4, column \"stream\": found \"ecg\", expected a stream of recording.toml: \"eeg\", \"7\"",
        ),
        (
            |c| c[1] = Text(vec![None, Some("7"), Some("eeg"), Some("eeg")]),
            "row 1, column \"stream\": found a missing value, expected a stream of recording.toml: \"eeg\", \"7\"",
        ),
        (
            |c| c[2] = Int(some(&[1, 256, 0, 1])),
            "row 2, column \"sequence\": found \"256\", expected a whole number from 0 to 255",
        ),
        (
            |c| c[2] = Int(vec![Some(1), Some(2), None, Some(1)]),
            "row 3, column \"sequence\": found a missing value, expected a whole number from 0 to 65535",
        ),
        (
            |c| c[3] = Long(vec![Some(4_294_967_296), None, None, None]),
            "row 1, column \"tick\": found \"4294967296\", expected a whole number from 0 to 4294967295 or none",
        ),
        (
            |c| c[3] = Long(vec![None, None, None, Some(-1)]),
            "row 4, column \"tick\": found \"-1\", expected a whole number from 0 to 4294967295 or none",
        ),
        (
            |c| c[4] = Int(some(&[1, 2, 0, 1])),
            "row 3, column \"samples\": found \"0\", expected a whole number from 1 to 65535",
        ),
        (
            |c| c[4] = Int(some(&[1, 2, 1, 65_536])),
            "row 4, column \"samples\": found \"65536\", expected a whole number from 1 to 65535",
        ),
    ];
    let schema = "optional int64 host_ns; optional binary stream (STRING); optional int32 sequence; optional int64 tick; \
                  required int32 samples;";
    for (spoil, message) in spoils {
        let mut cells = columns();
        spoil(&mut cells);
        assert_eq!(read_packets(schema, &cells).unwrap_err(), format!("packets.parquet {message}"));
    }
    let without = TOML.replace("tick_hz = 32768.0\ntick_bits = 32\n", "");
    let bytes = file(SCHEMA, &columns(), Compression::SNAPPY);
    assert_eq!(
        read_with(&without, "", &[("packets.parquet", &bytes)]).unwrap_err(),
        "packets.parquet row 1, column \"tick\": found \"4294967295\", expected none, since recording.toml has no tick_hz and \
         tick_bits under [device_clock]"
    );
}

#[test]
fn columns_that_hold_something_else_are_refused() {
    let [host, stream, sequence, tick, samples] = columns();
    let types = "expected whole numbers, DOUBLE, FLOAT, STRING or TIMESTAMP, one in each row";
    let flags = Bool(vec![true; 4]);
    assert_eq!(
        read_packets(
            "required int64 host_ns; required binary stream (STRING); required int32 sequence; required boolean tick; \
             required int32 samples;",
            &[host.clone(), stream.clone(), sequence.clone(), flags, samples.clone()]
        ),
        Err(format!("packets.parquet, column \"tick\": found cells of type BOOLEAN, {types}"))
    );
    assert_eq!(
        read_packets(
            "required int32 host_ns (DATE); required binary stream (STRING); required int32 sequence; optional int64 tick; \
             required int32 samples;",
            &[Int(some(&[1; 4])), stream.clone(), sequence.clone(), tick.clone(), samples.clone()]
        ),
        Err(format!("packets.parquet, column \"host_ns\": found cells of type DATE (INT32), {types}"))
    );
    assert_eq!(
        read_packets(
            "required int64 host_ns; required binary stream (STRING); required group sequence { required int32 low; } \
             optional int64 tick; required int32 samples;",
            &[host.clone(), stream.clone(), sequence.clone(), tick.clone(), samples.clone()]
        ),
        Err(format!(
            "packets.parquet, column \"sequence\": found a column of columns, a list, or the name twice, {types}"
        ))
    );
    assert_eq!(
        read_packets(
            "required int64 host_ns; required binary stream (STRING); optional int64 tick; required int32 samples;",
            &[host.clone(), stream.clone(), tick.clone(), samples.clone()]
        ),
        Err("packets.parquet: found the columns \"host_ns,stream,tick,samples\", expected a column \"sequence\" among them"
            .to_owned())
    );
    let bytes = file(SCHEMA, &columns(), Compression::SNAPPY);
    assert_eq!(
        read_with(TOML, "sequence=tick", &[("packets.parquet", &bytes)]),
        Err("packets.parquet: found \"tick\" for two of the columns that are looked for, expected a column of its own for each"
            .to_owned())
    );
    assert_eq!(
        read_with(TOML, "sequence=n", &[("packets.parquet", &bytes)]),
        Err("packets.parquet: found the columns \"host_ns,stream,sequence,tick,sam…\", expected a column \"n\" among them"
            .to_owned())
    );
}

#[test]
fn a_table_that_is_there_twice_is_refused() {
    let bytes = file(SCHEMA, &columns(), Compression::SNAPPY);
    let which = "expected one of them: remove the .parquet file to have the text read, or the .csv file to have the Parquet \
                 one read";
    assert_eq!(
        read_with(TOML, "", &[("packets.parquet", &bytes), ("packets.csv", CSV.as_bytes())]),
        Err(format!("FOLDER: found both packets.csv and packets.parquet, {which}"))
    );
    let events = file(
        "required int64 host_ns; required binary label (STRING);",
        &[Long(some(&[1])), Text(some(&["a"]))],
        Compression::SNAPPY,
    );
    assert_eq!(
        read_with(
            TOML,
            "",
            &[
                ("packets.csv", CSV.as_bytes()),
                ("events.parquet", &events),
                ("events.csv", b"host_ns,label\n")
            ]
        ),
        Err(format!("FOLDER: found both events.csv and events.parquet, {which}"))
    );
}

#[test]
fn events_are_read_as_from_text() {
    let csv = "host_ns,label,duration_ms\n5,go,\n6,17,75\n7,,1.5\n";
    let packets: (&str, &[u8]) = ("packets.csv", CSV.as_bytes());
    let expected = read_with(TOML, "", &[packets, ("events.csv", csv.as_bytes())]).unwrap().events;
    let of = |schema: &str, cells: &[Cells], names: &str| {
        let bytes = file(schema, cells, Compression::ZSTD(Default::default()));
        read_with(TOML, names, &[packets, ("events.parquet", &bytes)]).map(|found| found.events)
    };
    let plain = "required int64 host_ns; optional binary label (STRING); optional double duration_ms;";
    let labels = Text(vec![Some("go"), Some("17"), None]);
    for missing in [None, Some(f64::NAN)] {
        let durations = Double(vec![missing, Some(75.0), Some(1.5)]);
        assert_eq!(of(plain, &[Long(some(&[5, 6, 7])), labels.clone(), durations], ""), Ok(expected.clone()));
    }
    let codes = "required double t; required int32 code (INTEGER(8,true)); required double s;";
    let cells = [Double(some(&[0.006])), Int(some(&[17])), Double(some(&[0.075]))];
    let names = "events.host_ns=t:us,label=code,duration_ms=s:s";
    assert_eq!(of(codes, &cells, names), Ok(vec![expected[1].clone()]));

    for (cells, message) in [
        (
            [Long(vec![Some(1)]), Text(vec![Some("a\0b")]), Double(vec![None])],
            "row 1, column \"label\": found \"a\\0b\", expected text without NUL bytes",
        ),
        (
            [Long(vec![Some(1)]), Text(vec![Some("a")]), Double(vec![Some(-1.0)])],
            "row 1, column \"duration_ms\": found \"-1\", expected a finite number, 0 or more, or none",
        ),
        (
            [Long(vec![Some(1)]), Text(vec![Some("a")]), Double(vec![Some(f64::INFINITY)])],
            "row 1, column \"duration_ms\": found \"inf\", expected a finite number, 0 or more, or none",
        ),
    ] {
        assert_eq!(of(plain, &cells, ""), Err(format!("events.parquet {message}")));
    }
    let texts =
        "required int64 host_ns; required binary label (STRING); required binary duration_ms (STRING);";
    assert_eq!(
        of(texts, &[Long(some(&[1])), Text(some(&["a"])), Text(some(&["75"]))], ""),
        Err("events.parquet row 1, column \"duration_ms\": found the text \"75\", expected a finite number, 0 or more, or none"
            .to_owned())
    );
    assert_eq!(
        of("required int64 host_ns;", &[Long(some(&[1]))], ""),
        Err("events.parquet: found the columns \"host_ns\", expected a column \"label\" among them"
            .to_owned())
    );
}

#[test]
fn what_is_no_parquet_file_is_said_to_be_none() {
    for content in [&b""[..], b"host_ns,stream\n", b"PAR1", b"PAR1....PAR1"] {
        let message = read_with(TOML, "", &[("packets.parquet", content)]).unwrap_err();
        assert!(message.starts_with("packets.parquet: found a file that cannot be read ("), "{message}");
        assert!(message.ends_with("), expected a whole Parquet file"), "{message}");
    }
    let folder = folder(TOML, &[]);
    fs::create_dir(folder.path().join("packets.parquet")).unwrap();
    let message = read(folder.path()).unwrap_err().to_string();
    assert!(message.ends_with("packets.parquet: found no regular file, expected one"), "{message}");
}

/// Cut anywhere, or with any byte another one, a file is read or refused, and never more.
#[test]
fn damaged_files_are_refused_or_read_and_never_more() {
    let mut refused = 0;
    // Places that have no common divisor with what is in the file, and each of them spoiled in another way.
    for (compression, step) in [(Compression::UNCOMPRESSED, 3), (Compression::ZSTD(Default::default()), 7)] {
        let whole = file(SCHEMA, &columns(), compression);
        let folder = folder(TOML, &[]);
        let path = folder.path().join("packets.parquet");
        let mut try_one = |bytes: &[u8]| {
            fs::write(&path, bytes).unwrap();
            refused += u32::from(read(folder.path()).is_err());
        };
        for length in (0..whole.len()).step_by(5 * step) {
            try_one(&whole[..length]);
        }
        for (number, place) in (0..whole.len()).step_by(step).enumerate() {
            let byte = whole[place];
            let others = [byte ^ 1, byte ^ 0x80, 0, 0xff, byte.wrapping_add(1)];
            let mut spoiled = whole.clone();
            spoiled[place] = others[number % others.len()];
            try_one(&spoiled);
        }
    }
    assert!(refused > 150, "{refused}");
}

fn timeline() -> PacketTimeline {
    PacketTimeline {
        segment: vec![0, 1, NO_SEGMENT, 1],
        index: vec![65_535, 255, 9, 1],
        first_sample_s: vec![0.0, 1.5, f64::NAN, f64::NAN],
        delay_ms: vec![0.25, -0.5, f64::NAN, f64::NAN],
    }
}

fn packets() -> Packets<'static> {
    read_with(TOML, "", &[("packets.csv", CSV.as_bytes())]).unwrap().packets
}

fn inputs() -> [InputFile; 1] {
    [InputFile { file: "packets.csv".to_owned(), bytes: 9, sha256: "00ff".to_owned() }]
}

#[test]
fn packets_that_were_written_are_read_back_and_bear_their_origin() {
    let inputs = inputs();
    let origin = Origin { version: "1.2.3", numerics_revision: 8, inputs: &inputs };
    let bytes = packets_parquet(&packets(), &["eeg", "7"], &timeline(), &origin).unwrap();
    assert!(bytes == packets_parquet(&packets(), &["eeg", "7"], &timeline(), &origin).unwrap());
    assert_eq!(read_with(TOML, "", &[("packets.parquet", &bytes)]).unwrap().packets, packets());

    let folder = folder(TOML, &[("packets.parquet", &bytes)]);
    let hashed: Vec<String> =
        hash_inputs(folder.path()).unwrap().into_iter().map(|input| input.file).collect();
    assert_eq!(hashed, ["recording.toml", "packets.parquet"]);

    let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).unwrap();
    let metadata = reader.metadata().file_metadata();
    let mut said: Vec<(String, String)> = metadata
        .key_value_metadata()
        .unwrap()
        .iter()
        .map(|pair| (pair.key.clone(), pair.value.clone().unwrap()))
        .collect();
    said.sort();
    assert_eq!(
        said,
        [
            ("tickseam.inputs", r#"[{"file":"packets.csv","bytes":9,"sha256":"00ff"}]"#),
            ("tickseam.numerics_revision", "8"),
            ("tickseam.table", "packets"),
            (
                "tickseam.units",
                r#"{"delay_ms":"ms","first_sample_s":"s","host_ns":"ns","index":"1","samples":"1","segment":"1","sequence":"1","stream":"","tick":"1"}"#
            ),
            ("tickseam.version", "1.2.3"),
        ]
        .map(|(key, value)| (key.to_owned(), value.to_owned()))
    );
    let rows: Vec<String> = reader.get_row_iter(None).unwrap().map(|row| row.unwrap().to_string()).collect();
    assert_eq!(
        rows,
        [
            "{host_ns: -5, stream: \"eeg\", sequence: 65535, tick: 4294967295, samples: 10, segment: 0, index: 65535, \
             first_sample_s: 0E0, delay_ms: 0.25}",
            "{host_ns: 1000, stream: \"7\", sequence: 255, tick: null, samples: 2, segment: 1, index: 255, \
             first_sample_s: 1.5, delay_ms: -5E-1}",
            "{host_ns: 2000, stream: \"eeg\", sequence: 0, tick: 0, samples: 10, segment: null, index: null, \
             first_sample_s: null, delay_ms: null}",
            "{host_ns: 3000, stream: \"eeg\", sequence: 1, tick: 7, samples: 11, segment: 1, index: 1, \
             first_sample_s: null, delay_ms: null}",
        ]
    );
}

#[test]
fn a_timeline_of_other_packets_is_refused() {
    let origin = Origin { version: "1", numerics_revision: 1, inputs: &[] };
    let short = PacketTimeline { index: vec![1; 3], ..timeline() };
    for (streams, timeline) in [(&["eeg", "7"][..], short), (&["eeg"][..], timeline())] {
        let error = packets_parquet(&packets(), streams, &timeline, &origin).unwrap_err();
        assert_eq!(error.to_string(), "the timeline or the streams are not those of these packets");
    }
    let none = packets_parquet(&Packets::default(), &[], &PacketTimeline::default(), &origin).unwrap();
    assert_eq!(read_with(TOML, "", &[("packets.parquet", &none)]).unwrap().packets, Packets::default());
}

#[test]
fn placements_hold_what_was_found_and_nothing_where_nothing_was() {
    let row = EventRow {
        onset_s: Some(0.1 + 0.2),
        duration_s: None,
        label: "go\t\"now\"".to_owned(),
        sample: Some(75.5),
        host_ns: i64::MIN,
        segment: Some(0),
        u95_ms: Some(0.5),
        status: Status::Placed,
        live_onset_s: None,
        live_u95_ms: Some(f64::INFINITY),
        further_samples: vec![Some(15.0)],
        excludes_fixed_delay: true,
    };
    let nothing = EventRow {
        onset_s: None,
        sample: None,
        segment: None,
        u95_ms: None,
        status: Status::Unplaced,
        live_u95_ms: None,
        label: String::new(),
        further_samples: vec![],
        excludes_fixed_delay: false,
        ..row.clone()
    };
    let table = EventsTable { further_streams: vec!["optical".to_owned()], rows: vec![row, nothing] };
    let budget = BudgetSummary { link_ms: 0.25, statistics_ms: 0.125, ..BudgetSummary::default() };
    let origin = Origin { version: "1", numerics_revision: 1, inputs: &[] };
    let bytes = placements_parquet(&table, &[Some(budget), None], &origin).unwrap();
    let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).unwrap();
    let rows: Vec<String> = reader.get_row_iter(None).unwrap().map(|row| row.unwrap().to_string()).collect();
    let none = "budget_link_ms: null, budget_statistics_ms: null, budget_lattice_ms: null, budget_curvature_ms: null, \
                budget_holdover_ms: null, budget_fixed_delay_ms: null, budget_resolution_ms: null, budget_latency_ms: null";
    assert_eq!(
        rows,
        [
            "{onset: 0.30000000000000004, duration: null, trial_type: \"go\t\"now\"\", sample: 75.5, host_ns: \
             -9223372036854775808, segment: 0, u95_ms: 0.5, status: \"placed\", live_onset: null, live_u95_ms: null, \
             sample_optical: 15.0, excludes: \"fixed-delay\", budget_link_ms: 0.25, budget_statistics_ms: 0.125, \
             budget_lattice_ms: 0E0, budget_curvature_ms: 0E0, budget_holdover_ms: 0E0, budget_fixed_delay_ms: 0E0, \
             budget_resolution_ms: 0E0, budget_latency_ms: 0E0}"
                .to_owned(),
            format!(
                "{{onset: null, duration: null, trial_type: \"\", sample: null, host_ns: -9223372036854775808, segment: null, \
                 u95_ms: null, status: \"unplaced\", live_onset: null, live_u95_ms: null, sample_optical: null, excludes: null, \
                 {none}}}"
            ),
        ]
    );
}

#[test]
fn text_with_other_names_units_and_delimiters_is_the_same_recording() {
    let expected = packets();
    let host = ["-0.000000005", "0.000001", "2e-6", "0.000003"];
    for delimiter in [",", ";", "\t"] {
        let rows: Vec<String> = CSV
            .lines()
            .skip(1)
            .zip(host)
            .map(|(row, host_s)| {
                let cells: Vec<&str> = row.split(',').collect();
                [cells[3], "\"a\"", cells[2], cells[4], host_s, cells[1]].join(delimiter)
            })
            .collect();
        let header = ["count", "note", "n", "samples", "\"t; (s)\"", "id"].join(delimiter);
        let text = format!("{header}\n{}\n", rows.join("\n"));
        let names = "host_ns=\"t; (s)\":s,stream=id,sequence=n,tick=count";
        let found = read_with(TOML, names, &[("packets.csv", text.as_bytes())]).unwrap();
        assert_eq!((found.packets, found.notes), (expected.clone(), vec![]), "{delimiter:?}");
        let broken = text.replace("2e-6", "2,5");
        let message = read_with(TOML, names, &[("packets.csv", broken.as_bytes())]).unwrap_err();
        if delimiter == "," {
            assert!(message.starts_with("packets.csv line 4: found 7 fields, expected 6"), "{message}");
        } else {
            assert_eq!(
                message,
                "packets.csv line 4, column \"t; (s)\" (5): found \"2,5\", expected a decimal number of seconds such as \
                 12.345, whose nanoseconds fit 64 bits"
            );
        }
    }
    let tables: [(&str, &[u8]); 4] = [
        ("packets.csv", CSV.as_bytes()),
        ("events.csv", b"code;t;s\ngo;1.5;0.075\n"),
        ("exchanges.csv", b"t1,receive_tick,transmit_tick,t4\n1.5,2,3,4\n"),
        ("markers.csv", b"t,count\n0.25,9\n"),
    ];
    let names = "events.host_ns=t:ms,label=code,duration_ms=s:s,origin_ns=t1:us,destination_ns=t4:us,markers.host_ns=t:s,\
                 markers.tick=count";
    let found = read_with(TOML, names, &tables).unwrap();
    assert_eq!((found.events[0].host_ns, found.events[0].duration_ms), (1_500_000, Some(75.0)));
    assert_eq!((found.exchanges[0].origin_ns, found.exchanges[0].destination_ns), (1500, 4000));
    assert_eq!((found.markers[0].host_ns, found.markers[0].tick), (250_000_000, 9));
}

#[test]
fn columns_that_are_not_there_are_what_they_can_only_be_or_refused() {
    let one = "format = 1\n[[stream]]\nname = \"eeg\"\nrate_hz = 250.0\nsamples_per_packet = 10\nsequence_bits = 16\n";
    let found = read_with(one, "", &[("packets.csv", b"host_ns,sequence\n5,7\n")]).unwrap();
    let packet = Packet { host_ns: 5, stream: 0, sequence: 7, tick: None, samples: 10 };
    assert_eq!(found.packets.iter().collect::<Vec<_>>(), [packet]);
    let note =
        "no column for the samples of a packet; each was taken to have its stream's samples_per_packet";
    let notes = |found: &Recording| found.notes.iter().map(ToString::to_string).collect::<Vec<_>>();
    assert_eq!(notes(&found), [format!("packets.csv: {note}")]);
    let bytes = file(
        "required int64 host_ns; required int32 sequence;",
        &[Long(some(&[5])), Int(some(&[7]))],
        Compression::SNAPPY,
    );
    let found = read_with(one, "", &[("packets.parquet", &bytes)]).unwrap();
    assert_eq!(found.packets.iter().collect::<Vec<_>>(), [packet]);
    assert_eq!(notes(&found), [format!("packets.parquet: {note}")]);

    for (toml, names, text, message) in [
        (
            one,
            "",
            "host_ns,tick\n",
            "line 1: found the header \"host_ns,tick\", expected a column \"sequence\" in it",
        ),
        (
            one,
            "samples=count",
            "host_ns,sequence\n",
            "line 1: found the header \"host_ns,sequence\", expected a column \"count\" in it",
        ),
        (
            TOML,
            "",
            "host_ns,sequence,tick\n",
            "line 1: found the header \"host_ns,sequence,tick\", expected a column \"stream\" in it",
        ),
        (
            TOML,
            "",
            "host_ns,stream,sequence\n",
            "line 1: found the header \"host_ns,stream,sequence\", expected a column \"tick\" in it",
        ),
        (
            one,
            "sequence=tick",
            "host_ns,tick\n",
            "line 1: found \"tick\" for two of the columns that are looked for, expected a column of its own for each",
        ),
    ] {
        let found = read_with(toml, names, &[("packets.csv", text.as_bytes())]);
        assert_eq!(found.unwrap_err(), format!("packets.csv {message}"));
    }
    let packets: (&str, &[u8]) = ("packets.csv", b"host_ns,sequence\n5,7\n");
    assert_eq!(
        read_with(one, "label=code", &[packets]).unwrap_err(),
        "FOLDER/events.csv: found no such file, expected one, since its columns were named"
    );
    assert_eq!(
        read_with(one, "label=code", &[packets, ("events.csv", b"code;host_ns\nx;\"1\",\n")]).unwrap_err(),
        "events.csv line 2, column \"host_ns\" (2): found \",\", expected a semicolon or the line's end after a closing quote"
    );
}
