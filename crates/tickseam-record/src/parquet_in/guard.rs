//! The file and its pages as the Parquet library sees them: each footer, head, page and dictionary is looked at first, and none of them
//! makes the library take more memory than stands here, however few bytes ask for it.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use parquet::basic::{Compression, Encoding, Type as Physical};
use parquet::column::page::{Page, PageMetadata, PageReader};
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::RowGroupMetaData;
use parquet::file::reader::{ChunkReader, Length};
use parquet::file::serialized_reader::SerializedPageReader;
use parquet::schema::types::ColumnDescriptor;

use super::heads::{self, Head, Refused};

/// Most bytes that a page may unpack to, where its file does not hold as many: writers make pages of 8 KiB to some MiB.
pub(super) const LARGEST_PAGE_BYTES: i64 = 64 << 20;
/// Most texts of a page whose lengths are written as differences: the library takes 4 bytes for each before it looks at them.
const MOST_LENGTHS: u64 = 1 << 24;
/// Longest head of a page: texts in its statistics count.
const LONGEST_HEAD_BYTES: u64 = 256 << 10;
/// What is read of a head first: enough for nearly all.
const FIRST_HEAD_BYTES: u64 = 4 << 10;
/// Deflate makes at most 1032 bytes of one, LZ4 255.
const MOST_OF_LZ4: i64 = 255;
const LZ4_FRAME: [u8; 4] = [0x04, 0x22, 0x4d, 0x18];

fn refuse<T>(why: String) -> Result<T> {
    Err(ParquetError::General(why))
}

fn as_the_library_says(refused: Refused) -> ParquetError {
    match refused {
        Refused::Short => ParquetError::EOF("Unexpected EOF".to_owned()),
        Refused::Because(why) => ParquetError::General(why),
    }
}

/// What is read of the file, and so what is looked at.
enum Part {
    Footer,
    Chunk { codec: Compression, head: Mutex<Head> },
}

/// The file, looked at before it is read.
pub(super) struct Watched {
    file: Arc<File>,
    part: Part,
}

impl Watched {
    pub(super) fn footer(file: Arc<File>) -> Self {
        Self { file, part: Part::Footer }
    }

    fn bytes(&self, start: u64, most: u64) -> Result<Vec<u8>> {
        let mut file = self.file.try_clone()?;
        file.seek(SeekFrom::Start(start))?;
        let mut bytes = Vec::new();
        file.take(most).read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    fn head(&self, start: u64) -> Result<Head> {
        let first = heads::page(&self.bytes(start, FIRST_HEAD_BYTES)?);
        let head = match first {
            Err(Refused::Short) => heads::page(&self.bytes(start, LONGEST_HEAD_BYTES)?),
            known => known,
        };
        head.map_err(as_the_library_says)
    }
}

impl Length for Watched {
    fn len(&self) -> u64 {
        self.file.len()
    }
}

impl ChunkReader for Watched {
    type T = BufReader<File>;

    fn get_read(&self, start: u64) -> Result<Self::T> {
        if let Part::Chunk { head: kept, .. } = &self.part {
            let head = self.head(start)?;
            if head.unpacked > LARGEST_PAGE_BYTES.max(head.packed) {
                return refuse(format!(
                    "a page that unpacks to {} bytes, more than {LARGEST_PAGE_BYTES}",
                    head.unpacked
                ));
            }
            *kept.lock().unwrap_or_else(PoisonError::into_inner) = head;
        }
        self.file.get_read(start)
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes> {
        // Else as much memory would be taken as is asked for.
        if start.checked_add(length as u64).is_none_or(|end| end > self.len()) {
            return Err(ParquetError::EOF(format!("{length} bytes that the file does not have")));
        }
        let bytes = self.file.get_bytes(start, length)?;
        match &self.part {
            Part::Footer => heads::footer(&bytes).map_err(as_the_library_says)?,
            Part::Chunk { codec, head } => {
                let head = *head.lock().unwrap_or_else(PoisonError::into_inner);
                fits(*codec, head, &bytes)?;
            }
        }
        Ok(bytes)
    }
}

/// Two ways of packing do not stop where the page should end: they are tried without keeping what comes.
fn fits(codec: Compression, head: Head, page: &[u8]) -> Result<()> {
    let packed = usize::try_from(head.levels).ok().and_then(|levels| page.get(levels..)).unwrap_or(&[]);
    let most = LARGEST_PAGE_BYTES.max(head.unpacked);
    let too_much = match codec {
        Compression::GZIP(_) => {
            let mut unpacked = flate2::read::MultiGzDecoder::new(packed).take(most.unsigned_abs() + 1);
            // Where it cannot be unpacked the library will say so.
            io::copy(&mut unpacked, &mut io::sink()).is_ok_and(|bytes| bytes > most.unsigned_abs())
        }
        Compression::LZ4 => {
            packed.starts_with(&LZ4_FRAME) && (packed.len() as i64).saturating_mul(MOST_OF_LZ4) > most
        }
        _ => false,
    };
    if too_much {
        return refuse(format!("a page of {} bytes that may unpack to more than {most}", packed.len()));
    }
    Ok(())
}

/// The pages of a column in one row group.
pub(super) fn pages(
    file: &Arc<File>,
    group: &RowGroupMetaData,
    column: usize,
) -> Result<Box<dyn PageReader>> {
    let chunk = group.column(column);
    let part = Part::Chunk { codec: chunk.compression(), head: Mutex::default() };
    let watched = Arc::new(Watched { file: Arc::clone(file), part });
    let rows = usize::try_from(group.num_rows())?;
    let inner = SerializedPageReader::new(watched, chunk, rows, None)?;
    Ok(Box::new(Pages { inner, levels: Levels::of(chunk.column_descr()), least: least(chunk.column_type()) }))
}

/// Bytes that a value takes at least in a dictionary.
fn least(held: Physical) -> usize {
    match held {
        Physical::INT64 | Physical::DOUBLE => 8,
        _ => 4,
    }
}

/// Levels in front of the values of a page of the first kind.
enum Levels {
    None,
    /// Of cells that may be missing.
    Definition,
}

impl Levels {
    fn of(descriptor: &ColumnDescriptor) -> Self {
        if descriptor.max_def_level() > 0 { Self::Definition } else { Self::None }
    }
}

struct Pages {
    inner: SerializedPageReader<Watched>,
    levels: Levels,
    least: usize,
}

impl Pages {
    fn look(&self, page: &Page) -> Result<()> {
        let (buffer, values, encoding, levels) = match page {
            Page::DictionaryPage { buf, num_values, .. } => {
                if (*num_values as usize).saturating_mul(self.least) > buf.len() {
                    return refuse(format!("a dictionary of {num_values} values in {} bytes", buf.len()));
                }
                return Ok(());
            }
            Page::DataPage { buf, num_values, encoding, .. } => {
                let length = buf.first_chunk().map_or(0, |length| u32::from_le_bytes(*length) as usize);
                let levels = match self.levels {
                    Levels::None => 0,
                    Levels::Definition => length.saturating_add(4),
                };
                (buf, num_values, encoding, levels)
            }
            Page::DataPageV2 {
                buf, num_values, encoding, def_levels_byte_len, rep_levels_byte_len, ..
            } => (buf, num_values, encoding, *def_levels_byte_len as usize + *rep_levels_byte_len as usize),
        };
        let values = u64::from(*values).min(MOST_LENGTHS);
        let bytes = buffer.get(levels..).unwrap_or(&[]);
        match encoding {
            Encoding::DELTA_LENGTH_BYTE_ARRAY => differences(bytes, values).map(drop),
            Encoding::DELTA_BYTE_ARRAY => {
                let behind = differences(bytes, values)?;
                differences(bytes.get(behind..).unwrap_or(&[]), values).map(drop)
            }
            _ => Ok(()),
        }
    }
}

impl Iterator for Pages {
    type Item = Result<Page>;

    fn next(&mut self) -> Option<Self::Item> {
        self.get_next_page().transpose()
    }
}

impl PageReader for Pages {
    fn get_next_page(&mut self) -> Result<Option<Page>> {
        let page = self.inner.get_next_page()?;
        page.as_ref().map_or(Ok(()), |page| self.look(page))?;
        Ok(page)
    }

    fn peek_next_page(&mut self) -> Result<Option<PageMetadata>> {
        self.inner.peek_next_page()
    }

    fn skip_next_page(&mut self) -> Result<()> {
        self.inner.skip_next_page()
    }
}

/// Goes through whole numbers that are written as differences in blocks, DELTA_BINARY_PACKED; where they end. They may be as many as `most`.
fn differences(bytes: &[u8], most: u64) -> Result<usize> {
    let short = || ParquetError::EOF("lengths of texts that end too early".to_owned());
    let mut at = 0_usize;
    let number = |at: &mut usize| -> Result<u64> {
        let mut number = 0_u64;
        for shift in (0..70).step_by(7) {
            let byte = *bytes.get(*at).ok_or_else(short)?;
            *at += 1;
            number |= u64::from(byte & 0x7f).checked_shl(shift).unwrap_or(0);
            if byte & 0x80 == 0 {
                return Ok(number);
            }
        }
        Err(short())
    };
    let (block, parts, count) = (number(&mut at)?, number(&mut at)?, number(&mut at)?);
    number(&mut at)?;
    if count > most {
        return refuse(format!("the lengths of {count} texts in a page of {most} at most"));
    }
    if parts == 0 || parts > bytes.len() as u64 {
        return refuse(format!("lengths of texts in blocks of {parts} parts"));
    }
    let of_part = block / parts;
    let mut left = count.saturating_sub(1);
    while left > 0 {
        number(&mut at)?;
        let widths_end = usize::try_from(parts).ok().and_then(|parts| at.checked_add(parts));
        let widths = widths_end.and_then(|end| bytes.get(at..end)).ok_or_else(short)?;
        at += widths.len();
        for &width in widths {
            // Parts behind the last value are not there, whatever their width.
            if left == 0 {
                break;
            }
            let bytes_of_part = (u64::from(width).saturating_mul(of_part) / 8).min(bytes.len() as u64 + 1);
            at = at.saturating_add(usize::try_from(bytes_of_part).map_err(|_| short())?);
            left = left.saturating_sub(of_part);
        }
        if at > bytes.len() || of_part == 0 {
            return Err(short());
        }
    }
    Ok(at)
}

#[cfg(test)]
mod tests {
    use parquet::column::reader::{ColumnReader, get_column_reader};
    use parquet::data_type::{ByteArray, ByteArrayType};
    use parquet::file::properties::{WriterProperties, WriterVersion};
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::file::writer::SerializedFileWriter;
    use parquet::schema::parser::parse_message_type;

    use super::*;

    fn said<T>(outcome: Result<T>) -> String {
        outcome.err().map_or_else(|| "nothing".to_owned(), |error| error.to_string())
    }

    /// Every way in which the library writes texts is read back, many to a page.
    #[test]
    fn what_the_library_writes_is_let_through() {
        let texts: Vec<ByteArray> = (0..10_000_u32)
            .map(|n| ByteArray::from(format!("text {}", n * 7919 % 5000).into_bytes()))
            .collect();
        let levels: Vec<i16> = (0..20_000).map(|n| n % 2).collect();
        let ways = [
            Encoding::PLAIN,
            Encoding::RLE_DICTIONARY,
            Encoding::DELTA_LENGTH_BYTE_ARRAY,
            Encoding::DELTA_BYTE_ARRAY,
        ];
        let codecs = [
            Compression::UNCOMPRESSED,
            Compression::SNAPPY,
            Compression::GZIP(Default::default()),
            Compression::LZ4,
            Compression::LZ4_RAW,
            Compression::ZSTD(Default::default()),
        ];
        for (way, codec) in ways.iter().flat_map(|way| codecs.iter().map(move |codec| (*way, *codec))) {
            for version in [WriterVersion::PARQUET_1_0, WriterVersion::PARQUET_2_0] {
                let schema =
                    Arc::new(parse_message_type("message m { optional binary text (UTF8); }").unwrap());
                let by_dictionary = way == Encoding::RLE_DICTIONARY;
                let mut properties = WriterProperties::builder()
                    .set_writer_version(version)
                    .set_compression(codec)
                    .set_dictionary_enabled(by_dictionary);
                if !by_dictionary {
                    properties = properties.set_encoding(way);
                }
                let file = tempfile::tempfile().unwrap();
                let properties = Arc::new(properties.build());
                let mut writer =
                    SerializedFileWriter::new(file.try_clone().unwrap(), schema, properties).unwrap();
                let mut group = writer.next_row_group().unwrap();
                let mut column = group.next_column().unwrap().unwrap();
                column.typed::<ByteArrayType>().write_batch(&texts, Some(&levels), None).unwrap();
                column.close().unwrap();
                group.close().unwrap();
                writer.close().unwrap();

                let file = Arc::new(file);
                let reader = SerializedFileReader::new(Watched::footer(Arc::clone(&file))).unwrap();
                let group = reader.metadata().row_group(0);
                let pages = pages(&file, group, 0).unwrap();
                let ColumnReader::ByteArrayColumnReader(mut column) =
                    get_column_reader(group.column(0).column_descr_ptr(), pages)
                else {
                    panic!("a column of texts")
                };
                let (mut back, mut defined) = (Vec::new(), Vec::new());
                column.read_records(20_000, Some(&mut defined), None, &mut back).unwrap();
                assert_eq!((&back, &defined), (&texts, &levels), "{way} {codec} {version:?}");
            }
        }
    }

    #[test]
    fn a_page_is_not_unpacked_beyond_what_it_may_be() {
        let packed = |bytes: u64| {
            let mut packer =
                flate2::read::GzEncoder::new(io::repeat(0).take(bytes), flate2::Compression::fast());
            let mut packed = Vec::new();
            packer.read_to_end(&mut packed).unwrap();
            packed
        };
        let (most, more) = (packed(64 << 20), packed((64 << 20) + 1));
        let gzip = Compression::GZIP(Default::default());
        assert_eq!(said(fits(gzip, Head::default(), &most)), "nothing");
        let refused =
            format!("Parquet error: a page of {} bytes that may unpack to more than 67108864", more.len());
        assert_eq!(said(fits(gzip, Head::default(), &more)), refused);
        // Levels in front are not packed; a page that is no such thing is left to the library.
        let behind = [&[7, 7][..], &more].concat();
        assert_eq!(said(fits(gzip, Head { levels: 2, ..Head::default() }, &behind)), refused);
        assert_eq!(said(fits(gzip, Head::default(), &behind)), "nothing");

        let mut frame = LZ4_FRAME.to_vec();
        frame.resize((LARGEST_PAGE_BYTES / MOST_OF_LZ4) as usize, 0);
        assert_eq!(said(fits(Compression::LZ4, Head::default(), &frame)), "nothing");
        frame.push(0);
        assert!(said(fits(Compression::LZ4, Head::default(), &frame)).contains("may unpack to more than"));
    }

    #[test]
    fn lengths_are_counted_before_anybody_takes_memory_for_them() {
        // 128 to a block, 4 parts, 33 values; a first value; a block: least difference, widths 2 and 1, of which the second part is not there.
        let mut bytes = vec![0x80, 1, 4, 33, 2, 0, 2, 1, 1, 1];
        bytes.extend([0; 8]);
        bytes.push(99);
        assert_eq!(differences(&bytes, 33).unwrap(), 18);
        assert_eq!(
            said(differences(&bytes, 32)),
            "Parquet error: the lengths of 33 texts in a page of 32 at most"
        );
        assert!(said(differences(&bytes[..17], 33)).contains("end too early"));
        for endless in [[0x80, 1, 0, 33, 2], [0, 4, 33, 2, 0]] {
            assert_ne!(said(differences(&endless, 33)), "nothing");
        }
    }
}
