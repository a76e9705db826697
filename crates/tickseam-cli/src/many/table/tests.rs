use super::*;

fn row() -> Row {
    Row {
        status: Outcome::Aligned,
        message: None,
        duration_s: Some(1.0 / 3.0),
        events: Some(3),
        events_placed: Some(2),
        u95_median_ms: Some(0.1),
        fixed_delay_known: Some(true),
        ..Row::failed("site 1/a,\"b\"".to_owned(), String::new())
    }
}

#[test]
fn columns_are_the_fields_of_a_row_by_name_and_in_order() {
    let rows = [row(), Row::failed("x".to_owned(), "line 1\nline 2".to_owned())];
    let columns = columns(&rows);
    let fields = serde_json::to_value(row()).unwrap();
    let mut names: Vec<&str> = columns.iter().map(|column| column.name).collect();
    // A map of JSON sorts its keys.
    names.sort_unstable();
    assert_eq!(names, fields.as_object().unwrap().keys().map(String::as_str).collect::<Vec<_>>());
    for column in &columns {
        let cells = match &column.cells {
            TableCells::Text(cells) => cells.iter().map(|cell| serde_json::json!(cell)).collect::<Vec<_>>(),
            TableCells::Number(cells) => cells.iter().map(|cell| serde_json::json!(cell)).collect(),
            TableCells::Count(cells) => cells.iter().map(|cell| serde_json::json!(cell)).collect(),
            TableCells::Flag(cells) => cells.iter().map(|cell| serde_json::json!(cell)).collect(),
        };
        let expected: Vec<_> =
            rows.iter().map(|row| serde_json::to_value(row).unwrap()[column.name].clone()).collect();
        assert_eq!(cells, expected, "{}", column.name);
    }
}

/// RFC 4180, section 2: fields with commas, quotes or line ends stand in quotes, a quote is doubled.
#[test]
fn csv_quotes_what_has_to_be_quoted_and_keeps_all_digits() {
    let mut text = Vec::new();
    write_csv(&[row(), Row::failed("x".to_owned(), "one\ntwo".to_owned())], &mut text).unwrap();
    let text = String::from_utf8(text).unwrap();
    let mut lines = text.split_inclusive('\n');
    let names = lines.next().unwrap().trim_end();
    assert!(names.starts_with("recording,status,message,duration_s,segments,"), "{names}");
    assert_eq!(
        lines.next().unwrap(),
        "\"site 1/a,\"\"b\"\"\",aligned,,0.3333333333333333,,,,3,2,,,,0.1,,,,,,true,\n"
    );
    assert_eq!(lines.collect::<String>(), "x,failed,\"one\ntwo\",,,,,,,,,,,,,,,,,\n");
}

#[test]
fn the_table_for_people_fits_80_columns_whatever_is_in_it() {
    let huge = Row {
        duration_s: Some(1e9),
        events: Some(999_999),
        events_placed: Some(999_998),
        u95_median_ms: Some(9999.4),
        u95_largest_ms: Some(1e300),
        drift_ppm: Some(-30_000.0),
        limit: Some("holdover".to_owned()),
        fixed_delay_known: Some(false),
        ..Row { recording: "a/very/long/path/of/many/folders/ü\u{7}".repeat(3), ..row() }
    };
    let rows =
        [row(), huge, Row::failed("broken one".to_owned(), "packets.csv line 7: found nothing".to_owned())];
    let text = for_people(&rows, 1, "out");
    assert!(text.lines().all(|line| line.chars().count() <= 80 && !line.contains('\u{7}')), "{text}");
    assert!(text.contains("broken one                failed"), "{text}");
    assert!(text.contains("broken one: packets.csv line 7: found nothing"), "{text}");
    let unfolded = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(unfolded.contains("1 of them as an earlier run left them"), "{text}");
    // Not all of a million were placed.
    assert!(text.contains("   99.9 "), "{text}");
}

#[test]
fn names_are_shortened_in_the_middle() {
    assert_eq!(shortened("short", 10), "short");
    assert_eq!(shortened("study/site-1/person-02/visit-3", 14), "study…/visit-3");
    assert_eq!(shortened("abcdefghij", 3).chars().count(), 3);
}
