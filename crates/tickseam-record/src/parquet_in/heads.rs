//! The footer and the heads of pages, gone through before the Parquet library reads them: so that no length, number of elements or depth
//! that they state makes it work or take memory beyond what the file holds.
//!
//! Both are structs in Thrift's compact protocol. The library reads a field that it knows by the type that it expects, whatever type the
//! bytes name; here a field of another type is refused, so that both read the same. Fields that are not known are passed over.

/// How deep fields that are not known may be nested: as the library has it.
const DEEPEST: usize = 64;
/// Most groups of columns inside each other.
const DEEPEST_GROUPS: usize = 32;

/// Types by their numbers in the compact protocol.
const TRUE: u8 = 1;
const FALSE: u8 = 2;
const BYTE: u8 = 3;
const I16: u8 = 4;
const I64: u8 = 6;
const DOUBLE: u8 = 7;
const BINARY: u8 = 8;
const LIST: u8 = 9;
const SET: u8 = 10;
const MAP: u8 = 11;
const STRUCT: u8 = 12;
const UUID: u8 = 13;

/// What a field holds. The integers of every width are written alike.
enum Kind {
    Flag,
    Byte,
    Whole,
    /// A whole number that is kept.
    Noted,
    Real,
    Bytes,
    Struct(&'static Shape),
    List(&'static Kind),
}

/// A struct: its name, and of its fields numbers and types.
struct Shape {
    name: &'static str,
    fields: &'static [(i16, Kind)],
}

use Kind::{Byte, Bytes, Flag, List, Noted, Real, Struct, Whole};

const fn shape(name: &'static str, fields: &'static [(i16, Kind)]) -> Shape {
    Shape { name, fields }
}

// The format's own definition: parquet.thrift, of parquet-format 2.12.
static NOTHING: Shape = shape("an empty struct", &[]);
static KEY_VALUE: Shape = shape("KeyValue", &[(1, Bytes), (2, Bytes)]);
static TIME_UNIT: Shape =
    shape("TimeUnit", &[(1, Struct(&NOTHING)), (2, Struct(&NOTHING)), (3, Struct(&NOTHING))]);
static DECIMAL: Shape = shape("DecimalType", &[(1, Whole), (2, Whole)]);
static TIME: Shape = shape("TimeType", &[(1, Flag), (2, Struct(&TIME_UNIT))]);
static INTEGER: Shape = shape("IntType", &[(1, Byte), (2, Flag)]);
static VARIANT: Shape = shape("VariantType", &[(1, Byte)]);
static GEOGRAPHY: Shape = shape("GeographyType", &[(1, Bytes), (2, Whole)]);
static LOGICAL: Shape = shape(
    "LogicalType",
    &[
        (1, Struct(&NOTHING)),
        (2, Struct(&NOTHING)),
        (3, Struct(&NOTHING)),
        (4, Struct(&NOTHING)),
        (5, Struct(&DECIMAL)),
        (6, Struct(&NOTHING)),
        (7, Struct(&TIME)),
        (8, Struct(&TIME)),
        (10, Struct(&INTEGER)),
        (11, Struct(&NOTHING)),
        (12, Struct(&NOTHING)),
        (13, Struct(&NOTHING)),
        (14, Struct(&NOTHING)),
        (15, Struct(&NOTHING)),
        (16, Struct(&VARIANT)),
        (17, Struct(&GEOGRAPHY)),
        (18, Struct(&GEOGRAPHY)),
    ],
);
static ELEMENT: Shape = shape(
    "SchemaElement",
    &[
        (1, Whole),
        (2, Whole),
        (3, Whole),
        (4, Bytes),
        (5, Noted),
        (6, Whole),
        (7, Whole),
        (8, Whole),
        (9, Whole),
        (10, Struct(&LOGICAL)),
    ],
);
static STATISTICS: Shape = shape(
    "Statistics",
    &[
        (1, Bytes),
        (2, Bytes),
        (3, Whole),
        (4, Whole),
        (5, Bytes),
        (6, Bytes),
        (7, Flag),
        (8, Flag),
        (9, Whole),
    ],
);
static ENCODING_STATISTICS: Shape = shape("PageEncodingStats", &[(1, Whole), (2, Whole), (3, Whole)]);
static SIZE_STATISTICS: Shape = shape("SizeStatistics", &[(1, Whole), (2, List(&Whole)), (3, List(&Whole))]);
static BOX: Shape = shape(
    "BoundingBox",
    &[(1, Real), (2, Real), (3, Real), (4, Real), (5, Real), (6, Real), (7, Real), (8, Real)],
);
static GEOSPATIAL: Shape = shape("GeospatialStatistics", &[(1, Struct(&BOX)), (2, List(&Whole))]);
static COLUMN: Shape = shape(
    "ColumnMetaData",
    &[
        (1, Whole),
        (2, List(&Whole)),
        (3, List(&Bytes)),
        (4, Whole),
        (5, Whole),
        (6, Whole),
        (7, Whole),
        (8, List(&Struct(&KEY_VALUE))),
        (9, Whole),
        (10, Whole),
        (11, Whole),
        (12, Struct(&STATISTICS)),
        (13, List(&Struct(&ENCODING_STATISTICS))),
        (14, Whole),
        (15, Whole),
        (16, Struct(&SIZE_STATISTICS)),
        (17, Struct(&GEOSPATIAL)),
    ],
);
static CHUNK: Shape = shape(
    "ColumnChunk",
    &[(1, Bytes), (2, Whole), (3, Struct(&COLUMN)), (4, Whole), (5, Whole), (6, Whole), (7, Whole)],
);
static SORTING: Shape = shape("SortingColumn", &[(1, Whole), (2, Flag), (3, Flag)]);
static GROUP: Shape = shape(
    "RowGroup",
    &[
        (1, List(&Struct(&CHUNK))),
        (2, Whole),
        (3, Whole),
        (4, List(&Struct(&SORTING))),
        (5, Whole),
        (6, Whole),
        (7, Whole),
    ],
);
static ORDER: Shape = shape("ColumnOrder", &[(1, Struct(&NOTHING)), (2, Struct(&NOTHING))]);
static FILE: Shape = shape(
    "FileMetaData",
    &[
        (1, Whole),
        (2, List(&Struct(&ELEMENT))),
        (3, Whole),
        (4, List(&Struct(&GROUP))),
        (5, List(&Struct(&KEY_VALUE))),
        (6, Bytes),
        (7, List(&Struct(&ORDER))),
    ],
);
static DATA_HEAD: Shape =
    shape("DataPageHeader", &[(1, Whole), (2, Whole), (3, Whole), (4, Whole), (5, Struct(&STATISTICS))]);
static DICTIONARY_HEAD: Shape = shape("DictionaryPageHeader", &[(1, Whole), (2, Whole), (3, Flag)]);
static DATA_HEAD_2: Shape = shape(
    "DataPageHeaderV2",
    &[
        (1, Whole),
        (2, Whole),
        (3, Whole),
        (4, Whole),
        (5, Noted),
        (6, Noted),
        (7, Flag),
        (8, Struct(&STATISTICS)),
    ],
);
static PAGE: Shape = shape(
    "PageHeader",
    &[
        (1, Whole),
        (2, Noted),
        (3, Noted),
        (4, Whole),
        (5, Struct(&DATA_HEAD)),
        (6, Struct(&NOTHING)),
        (7, Struct(&DICTIONARY_HEAD)),
        (8, Struct(&DATA_HEAD_2)),
    ],
);

/// Why the bytes are refused.
#[derive(Debug, PartialEq)]
pub(super) enum Refused {
    /// They end too early.
    Short,
    /// In words.
    Because(String),
}

fn because<T>(why: String) -> Result<T, Refused> {
    Err(Refused::Because(why))
}

/// What the head of a page says of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Head {
    /// Bytes when unpacked, levels included.
    pub(super) unpacked: i64,
    /// Bytes in the file.
    pub(super) packed: i64,
    /// Bytes of levels in front, which are never packed.
    pub(super) levels: i64,
}

/// Goes through a footer.
pub(super) fn footer(bytes: &[u8]) -> Result<(), Refused> {
    let mut walk = Walk { bytes, at: 0, noted: Vec::new() };
    walk.structure(&FILE)?;
    let children: Vec<i64> = walk
        .noted
        .chunk_by(|_, next| next.1 != 0)
        .map(|of_one| of_one.last().map_or(0, |(_, _, number)| *number))
        .collect();
    groups(&children)
}

/// Each group has as many columns as it says, and they are not nested without end.
fn groups(children: &[i64]) -> Result<(), Refused> {
    let mut open: Vec<i64> = Vec::new();
    for (place, &columns) in children.iter().enumerate() {
        while open.last() == Some(&0) {
            open.pop();
        }
        if let Some(left) = open.last_mut() {
            *left -= 1;
        }
        let behind = children.len() - place - 1;
        if columns < 0 || usize::try_from(columns).is_ok_and(|columns| columns > behind) {
            return because(format!("a group of {columns} columns, of which {behind} are described"));
        }
        if columns > 0 {
            open.push(columns);
        }
        if open.len() > DEEPEST_GROUPS {
            return because(format!("columns nested in more than {DEEPEST_GROUPS} groups"));
        }
    }
    Ok(())
}

/// Goes through the head of a page at the start of some bytes.
pub(super) fn page(bytes: &[u8]) -> Result<Head, Refused> {
    let mut walk = Walk { bytes, at: 0, noted: Vec::new() };
    walk.structure(&PAGE)?;
    let mut head = Head::default();
    for (shape, field, number) in walk.noted {
        match (shape, field) {
            ("PageHeader", 2) => head.unpacked = number,
            ("PageHeader", _) => head.packed = number,
            _ => head.levels = head.levels.saturating_add(number),
        }
    }
    Ok(head)
}

struct Walk<'a> {
    bytes: &'a [u8],
    at: usize,
    /// Struct, field and number; field 0 where an element of the schema begins.
    noted: Vec<(&'static str, i16, i64)>,
}

impl Walk<'_> {
    fn left(&self) -> usize {
        self.bytes.len() - self.at
    }

    fn byte(&mut self) -> Result<u8, Refused> {
        let byte = *self.bytes.get(self.at).ok_or(Refused::Short)?;
        self.at += 1;
        Ok(byte)
    }

    fn pass(&mut self, bytes: u64) -> Result<(), Refused> {
        match usize::try_from(bytes) {
            Ok(bytes) if bytes <= self.left() => {
                self.at += bytes;
                Ok(())
            }
            _ => Err(Refused::Short),
        }
    }

    /// A number in pieces of seven bits, the lowest first.
    fn number(&mut self) -> Result<u64, Refused> {
        let mut number = 0;
        for shift in (0..70).step_by(7) {
            let byte = self.byte()?;
            number |= u64::from(byte & 0x7f).checked_shl(shift).unwrap_or(0);
            if byte & 0x80 == 0 {
                return Ok(number);
            }
        }
        because("a number of more than 64 bits".to_owned())
    }

    /// The same with a sign, which is its lowest bit.
    fn signed(&mut self) -> Result<i64, Refused> {
        let number = self.number()?;
        Ok((number >> 1).cast_signed() ^ -(number & 1).cast_signed())
    }

    /// The next field of a struct, its number and type; `None` at the end.
    fn field(&mut self, before: i16) -> Result<Option<(i16, u8)>, Refused> {
        let byte = self.byte()?;
        let (step, held) = (byte >> 4, byte & 0x0f);
        if held == 0 {
            return Ok(None);
        }
        let field = if step == 0 { self.signed()? } else { i64::from(before) + i64::from(step) };
        match i16::try_from(field) {
            Ok(field) => Ok(Some((field, held))),
            Err(_) => because(format!("a field with the number {field}")),
        }
    }

    fn structure(&mut self, shape: &'static Shape) -> Result<(), Refused> {
        if shape.name == ELEMENT.name {
            self.noted.push((shape.name, 0, 0));
        }
        let mut before = 0;
        while let Some((field, held)) = self.field(before)? {
            match shape.fields.iter().find(|(known, _)| *known == field) {
                Some((_, kind)) => self.known(kind, held, (shape.name, field))?,
                None => self.unknown(held, 0)?,
            }
            before = field;
        }
        Ok(())
    }

    fn known(&mut self, kind: &'static Kind, held: u8, place: (&'static str, i16)) -> Result<(), Refused> {
        match (kind, held) {
            (Flag, TRUE | FALSE) => Ok(()),
            (Byte, BYTE) => self.pass(1),
            (Whole, I16..=I64) => self.number().map(drop),
            (Noted, I16..=I64) => {
                let number = self.signed()?;
                self.noted.push((place.0, place.1, number));
                Ok(())
            }
            (Real, DOUBLE) => self.pass(8),
            (Bytes, BINARY) => {
                let length = self.number()?;
                self.pass(length)
            }
            (Struct(shape), STRUCT) => self.structure(shape),
            (List(kind), LIST) => {
                let (elements, held) = self.list()?;
                (0..elements).try_for_each(|_| self.known(kind, held, place))
            }
            _ => because(format!("field {} of {} has the type {held}", place.1, place.0)),
        }
    }

    /// How many elements a list says it has, and of which type.
    fn list(&mut self) -> Result<(u64, u8), Refused> {
        let byte = self.byte()?;
        let (few, held) = (u64::from(byte >> 4), byte & 0x0f);
        let elements = if few == 15 { self.number()? } else { few };
        // The library takes flags in a list for none at all, and would count them out one by one.
        if elements > 0 && matches!(held, TRUE | FALSE) {
            return because(format!("a list of {elements} flags"));
        }
        if elements > self.left() as u64 {
            return because(format!("a list of {elements} elements in {} bytes", self.left()));
        }
        Ok((elements, held))
    }

    /// Passes over a value of a field that is not known.
    fn unknown(&mut self, held: u8, depth: usize) -> Result<(), Refused> {
        if depth == DEEPEST {
            return because(format!("fields nested more than {DEEPEST} deep"));
        }
        match held {
            TRUE | FALSE => Ok(()),
            BYTE => self.pass(1),
            I16..=I64 => self.number().map(drop),
            DOUBLE => self.pass(8),
            BINARY => {
                let length = self.number()?;
                self.pass(length)
            }
            LIST | SET => {
                let (elements, held) = self.list()?;
                (0..elements).try_for_each(|_| self.unknown(held, depth + 1))
            }
            // The format has none. Elements of a map may take no byte each.
            MAP => match self.number()? {
                0 => Ok(()),
                elements => because(format!("a map of {elements} elements")),
            },
            STRUCT => {
                while let Some((_, held)) = self.field(0)? {
                    self.unknown(held, depth + 1)?;
                }
                Ok(())
            }
            UUID => self.pass(16),
            _ => because(format!("a field of the type {held}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_in_a_list_and_maps_are_refused_before_anybody_counts_them() {
        // Field 20, a list of 2^31 − 1 flags; then the same as a map of flags.
        let list = [0x09, 40, 0xf1, 0xff, 0xff, 0xff, 0xff, 0x07, 0];
        assert_eq!(footer(&list), Err(Refused::Because("a list of 2147483647 flags".to_owned())));
        assert_eq!(page(&list), Err(Refused::Because("a list of 2147483647 flags".to_owned())));
        let map = [0x0b, 40, 0xff, 0xff, 0xff, 0xff, 0x07, 0x11, 0];
        assert_eq!(footer(&map), Err(Refused::Because("a map of 2147483647 elements".to_owned())));
        // The same behind a field that the library knows under another type.
        let hidden = [0x28, 9, 0x09, 40, 0xf1, 0xff, 0xff, 0xff, 0xff, 0x07, 0, 0];
        assert_eq!(
            footer(&hidden),
            Err(Refused::Because("field 2 of FileMetaData has the type 8".to_owned()))
        );
        // Elements that are there are passed over.
        assert_eq!(footer(&[0x09, 40, 0x23, 7, 7, 0]), Ok(()));
        assert_eq!(
            footer(&[0x09, 40, 0xf3, 5, 7, 7, 0]),
            Err(Refused::Because("a list of 5 elements in 3 bytes".to_owned()))
        );
        assert_eq!(
            footer(&[0x09, 40, 0x23, 7]),
            Err(Refused::Because("a list of 2 elements in 1 bytes".to_owned()))
        );
        assert_eq!(footer(&[0x15]), Err(Refused::Short));
    }

    #[test]
    fn groups_have_the_columns_that_they_say_and_are_not_nested_without_end() {
        assert_eq!(groups(&[3, 0, 1, 0, 0]), Ok(()));
        assert_eq!(
            groups(&[2_147_483_647, 0]),
            Err(Refused::Because("a group of 2147483647 columns, of which 1 are described".to_owned()))
        );
        assert!(groups(&[-1, 0]).is_err());
        let mut nested = vec![1; 32];
        nested.push(0);
        assert_eq!(groups(&nested), Ok(()));
        nested.insert(0, 1);
        assert_eq!(
            groups(&nested),
            Err(Refused::Because("columns nested in more than 32 groups".to_owned()))
        );
    }

    #[test]
    fn the_head_of_a_page_tells_its_sizes() {
        // A data page of the second kind: 1000 bytes unpacked, 300 packed, levels of 2 and 3 bytes.
        let bytes = [0x15, 6, 0x15, 0xd0, 0x0f, 0x15, 0xd8, 0x04, 0x5c, 0x55, 4, 0x15, 6, 0, 0];
        assert_eq!(page(&bytes), Ok(Head { unpacked: 1000, packed: 300, levels: 5 }));
    }
}
