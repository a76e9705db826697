use super::*;

fn anything() -> State {
    State {
        host_ns: Some(5),
        elapsed_s: 3723.9,
        state: Phase::Tracking,
        segment: Some(0),
        restarts: 0,
        onset_s: Some(3723.0),
        u95_ms: Some(1.2345),
        holdover_ms: Some(0.1),
        excludes_fixed_delay: Some(false),
        origin_host_ns: Some(0),
        offset_ms: Some(-117.934),
        drift_ppm: Some(25.12),
        u_drift_ppm: Some(0.1),
        grid_interval_ms: Some(15.0),
        beat_ms: Some(5.0),
        off_nominal: false,
        newest_age_s: Some(0.0),
        reference_age_s: Some(0.02),
        packets_received: 1000,
        packets_missing: 6,
        missing_share: Some(6.0 / 1006.0),
        gaps: 2,
        duplicates: 0,
        refused: 0,
        streams: Vec::new(),
        is_final: false,
    }
}

#[test]
fn a_plain_line_has_the_columns_of_its_heading() {
    let line = plain_line(&anything());
    let heading = heading();
    let [names, units] = heading.lines().collect::<Vec<_>>()[..] else { panic!("two rows") };
    assert_eq!(line, " 1:02:03 tracking  -117.93  25.12 0.10  1.234     6 0.60    2 15.0 5.00   0 0.0");
    // Every column ends where its name and its unit end.
    for (row, text) in [("names", names), ("units", units)] {
        let ends = |text: &str| {
            let bytes = text.as_bytes();
            (0..bytes.len())
                .filter(|&at| bytes[at] != b' ' && bytes.get(at + 1).is_none_or(|next| *next == b' '))
                .collect::<Vec<_>>()
        };
        let of_line = ends(&line);
        assert!(ends(text).iter().all(|end| of_line.contains(end)), "{row}");
    }
    assert_eq!(names.split_whitespace().count(), line.split_whitespace().count());
}

#[test]
fn no_number_makes_a_line_wider_than_80_columns() {
    let huge = State {
        elapsed_s: 1e9,
        state: Phase::Holdover,
        restarts: u32::MAX,
        u95_ms: Some(1e300),
        offset_ms: Some(-1e300),
        drift_ppm: Some(-99_999.123),
        grid_interval_ms: Some(12_345.6),
        beat_ms: Some(1e9),
        reference_age_s: Some(1e9),
        packets_missing: u64::MAX,
        gaps: u64::MAX,
        ..anything()
    };
    let nothing = State {
        u95_ms: None,
        offset_ms: None,
        drift_ppm: None,
        u_drift_ppm: None,
        grid_interval_ms: None,
        beat_ms: None,
        reference_age_s: None,
        missing_share: None,
        ..anything()
    };
    for state in [anything(), huge, nothing] {
        let line = plain_line(&state);
        assert!(line.len() <= 80, "{line}");
        assert_eq!(
            line.split_whitespace().count(),
            plain_line(&anything()).split_whitespace().count(),
            "{line}"
        );
        for columns in 0..200 {
            let line = status_line(&state, columns);
            assert!(line.chars().count() <= columns.min(80), "{columns}: {line}");
        }
    }
}

#[test]
fn a_narrow_terminal_loses_what_matters_less_first() {
    let state = State { restarts: 1, ..anything() };
    assert_eq!(
        status_line(&state, 200),
        "tracking  ±1.23 ms  restarts 1  drift 25.1 u 0.1 ppm  lost 6 (0.6 %)"
    );
    assert_eq!(status_line(&state, 40), "tracking  ±1.23 ms  restarts 1");
    assert_eq!(status_line(&state, 20), "tracking  ±1.23 ms");
    assert_eq!(status_line(&state, 9), "tracking");
    assert_eq!(status_line(&state, 4), "trac");
}

#[test]
fn numbers_that_do_not_fit_lose_decimals_and_then_say_that_they_are_larger() {
    assert_eq!(fitted(-0.0001, 5, 2), "0.00");
    assert_eq!(fitted(1234.5, 6, 3), "1234.5");
    assert_eq!(fitted(123_456.7, 6, 3), "123457");
    assert_eq!(fitted(1e9, 4, 0), ">999");
    assert_eq!(fitted(-1e9, 4, 0), "<-99");
}

#[test]
fn a_line_is_due_once_for_each_time_and_again_where_stamps_go_back() {
    let mut pace = Pace::new(10);
    let due: Vec<i64> = [100, 105, 109, 110, 111, 119, 135, 136, 128, 139, 140, 100, 101, 109, 110]
        .into_iter()
        .filter(|&at| pace.is_due(at))
        .collect();
    // 128 is but a little late; 100 is of another time.
    assert_eq!(due, [100, 110, 135, 140, 100, 110]);
    let mut pace = Pace::new(i64::MAX);
    assert!(pace.is_due(i64::MIN) && !pace.is_due(-5) && pace.is_due(i64::MAX));
}
