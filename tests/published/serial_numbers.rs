//! RFC 1982, serial number arithmetic: every example of sections 5.1 and 5.2, and rows derived from section 3.

use std::cmp::Ordering;

use serde::Deserialize;
use tickseam::serial::SerialSpace;
use tickseam_tests::read_csv;

#[derive(Deserialize)]
struct Row {
    bits: u8,
    op: String,
    a: u64,
    b: u64,
    result: String,
    source: String,
}

#[test]
fn every_rfc_1982_example_adds_and_compares_as_it_says_or_is_undefined() {
    let rows: Vec<Row> = read_csv("serial_numbers.csv");
    let published = rows.iter().filter(|row| row.source.starts_with("RFC 1982 5.")).count();
    assert_eq!((rows.len(), published), (49, 31));
    for Row { bits, op, a, b, result, source } in rows {
        let what = format!("{bits} bits: {op} {a} {b} ({source})");
        let space = SerialSpace::new(bits).unwrap();
        // Nothing here may be undefined only because it is no number of this width.
        assert!(space.contains(a) && space.contains(b), "{what}");
        match op.as_str() {
            "add" => {
                let expected = (result != "undefined").then(|| result.parse::<u64>().unwrap());
                assert_eq!(space.add(a, b), expected, "{what}");
            }
            "cmp" => {
                let expected = match result.as_str() {
                    "lt" => Some(Ordering::Less),
                    "eq" => Some(Ordering::Equal),
                    "gt" => Some(Ordering::Greater),
                    "undefined" => None,
                    other => panic!("{what}: unknown result {other}"),
                };
                assert_eq!(space.compare(a, b), expected, "{what}");
                assert_eq!(space.compare(b, a), expected.map(Ordering::reverse), "{what}, turned round");
            }
            other => panic!("{what}: unknown operation {other}"),
        }
    }
}
