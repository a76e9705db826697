//! Tables of somebody else's logger: which of their columns holds what, and in which unit times stand in them.

use std::fmt;

/// The unit in which a column holds a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeUnit {
    /// Nanoseconds, `ns`.
    Nanoseconds,
    /// Microseconds, `us` or `µs`.
    Microseconds,
    /// Milliseconds, `ms`.
    Milliseconds,
    /// Seconds, `s`.
    Seconds,
}

impl TimeUnit {
    const NAMES: [(&'static str, Self); 5] = [
        ("ns", Self::Nanoseconds),
        ("us", Self::Microseconds),
        ("µs", Self::Microseconds),
        ("ms", Self::Milliseconds),
        ("s", Self::Seconds),
    ];

    /// One of this unit is 10 to the power of this many nanoseconds.
    pub(crate) fn exponent(self) -> i32 {
        match self {
            Self::Nanoseconds => 0,
            Self::Microseconds => 3,
            Self::Milliseconds => 6,
            Self::Seconds => 9,
        }
    }

    /// Its name in messages.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Nanoseconds => "nanoseconds",
            Self::Microseconds => "microseconds",
            Self::Milliseconds => "milliseconds",
            Self::Seconds => "seconds",
        }
    }
}

/// A table of a recording whose columns may have other names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Table {
    Packets,
    Events,
    Exchanges,
    Markers,
}

/// What a column holds.
#[derive(Clone, Copy, PartialEq)]
enum Holds {
    /// An instant, ns unless said otherwise.
    Instant,
    /// How long something lasted, ms unless said otherwise.
    Duration,
    Other,
}

type Known = (&'static str, Holds);

impl Table {
    const ALL: [Self; 4] = [Self::Packets, Self::Events, Self::Exchanges, Self::Markers];

    fn word(self) -> &'static str {
        match self {
            Self::Packets => "packets",
            Self::Events => "events",
            Self::Exchanges => "exchanges",
            Self::Markers => "markers",
        }
    }

    fn known(self) -> &'static [Known] {
        use Holds::{Duration, Instant, Other};
        match self {
            Self::Packets => &[
                ("host_ns", Instant),
                ("stream", Other),
                ("sequence", Other),
                ("tick", Other),
                ("samples", Other),
            ],
            Self::Events => &[("host_ns", Instant), ("label", Other), ("duration_ms", Duration)],
            Self::Exchanges => &[
                ("origin_ns", Instant),
                ("receive_tick", Other),
                ("transmit_tick", Other),
                ("destination_ns", Instant),
            ],
            Self::Markers => &[("host_ns", Instant), ("tick", Other)],
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Pair {
    table: Table,
    ours: &'static str,
    theirs: String,
    unit: Option<TimeUnit>,
}

/// Which column of a recording's tables holds what, where they were written with other names than the recording format's.
///
/// Read from text such as `host_ns=arrival:us,sequence=n,events.label=code`: pairs of our name and theirs, separated by commas.
///
/// - Before our name may stand its table: `packets.`, `events.`, `exchanges.` or `markers.`. Without one, it is the first of these in
///   this order that has such a column: `host_ns` is that of the packets.
/// - After their name may stand the unit of a time: `:ns`, `:us`, `:ms` or `:s`; without one, instants are ns and durations ms.
/// - A name of theirs with a comma, a colon or a double quote in it goes into double quotes, a double quote in it doubled.
///
/// A column that is named here has to be there. Those that are not named keep the format's names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ColumnNames {
    pairs: Vec<Pair>,
}

/// What is wrong with a text that should name columns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamesError {
    /// What stands there.
    pub found: String,
    /// What is asked for.
    pub expected: String,
}

impl fmt::Display for NamesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "found {}, expected {}", self.found, self.expected)
    }
}

impl std::error::Error for NamesError {}

fn refused<T>(found: impl Into<String>, expected: impl Into<String>) -> Result<T, NamesError> {
    Err(NamesError { found: found.into(), expected: expected.into() })
}

/// Where to look for a column, and how to read it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted<'a> {
    pub(crate) name: &'a str,
    /// Somebody said that the column has this name.
    pub(crate) asked: bool,
    pub(crate) unit: Option<TimeUnit>,
}

impl std::str::FromStr for ColumnNames {
    type Err = NamesError;

    fn from_str(text: &str) -> Result<Self, NamesError> {
        let mut names = Self::default();
        names.add(text)?;
        Ok(names)
    }
}

impl ColumnNames {
    /// Adds pairs to those that are there.
    ///
    /// # Errors
    /// A text of another form, a column that no table has, one that is named twice. Nothing is added then.
    pub fn add(&mut self, text: &str) -> Result<(), NamesError> {
        let mut pairs = self.pairs.clone();
        let mut rest = text;
        loop {
            let (pair, next) = pair(rest)?;
            let table = pair.table.word();
            let mut others = pairs.iter().filter(|other| other.table == pair.table);
            if others.clone().any(|other| other.ours == pair.ours) {
                return refused(format!("{table}.{} a second time", pair.ours), "each column once");
            }
            if let Some(Pair { ours, theirs, .. }) = others.find(|other| other.theirs == pair.theirs) {
                return refused(
                    format!("{theirs:?} both as {table}.{ours} and as {table}.{}", pair.ours),
                    "each column of the file once",
                );
            }
            pairs.push(pair);
            match next {
                Some(next) => rest = next,
                None => break,
            }
        }
        self.pairs = pairs;
        Ok(())
    }

    /// True where all columns keep the format's names.
    pub fn is_empty(&self) -> bool {
        self.pairs.is_empty()
    }

    /// Whether a column of the table has been given a name.
    pub(crate) fn mention(&self, table: Table) -> bool {
        self.pairs.iter().any(|pair| pair.table == table)
    }

    pub(crate) fn of(&self, table: Table, ours: &'static str) -> Wanted<'_> {
        let pair = self.pairs.iter().find(|pair| pair.table == table && pair.ours == ours);
        match pair {
            Some(Pair { theirs, unit, .. }) => Wanted { name: theirs, asked: true, unit: *unit },
            None => Wanted { name: ours, asked: false, unit: None },
        }
    }
}

/// The first pair of a text, and what follows the comma after it.
fn pair(text: &str) -> Result<(Pair, Option<&str>), NamesError> {
    const FORM: &str = "OURS=THEIRS or OURS=THEIRS:UNIT, such as host_ns=arrival:us";
    let Some((ours, rest)) = text.split_once('=') else {
        return refused(if text.is_empty() { "nothing".to_owned() } else { format!("{text:?}") }, FORM);
    };
    let (table, ours, holds) = column(ours)?;
    let (theirs, unit, next) = match rest.strip_prefix('"') {
        Some(inner) => {
            let (theirs, after) = quoted(inner)?;
            let (unit, next) = match after.split_once(',') {
                Some((unit, next)) => (unit, Some(next)),
                None => (after, None),
            };
            match unit.strip_prefix(':') {
                Some(unit) => (theirs, Some(unit), next),
                None if unit.is_empty() => (theirs, None, next),
                None => {
                    return refused(
                        format!("{unit:?} after a closing quote"),
                        "a comma, a colon and a unit, or the end",
                    );
                }
            }
        }
        None => {
            let (value, next) = match rest.split_once(',') {
                Some((value, next)) => (value, Some(next)),
                None => (rest, None),
            };
            match value.split_once(':') {
                Some((theirs, unit)) => (theirs.to_owned(), Some(unit), next),
                None => (value.to_owned(), None, next),
            }
        }
    };
    if theirs.is_empty() {
        return refused(format!("no name after {ours}="), FORM);
    }
    let unit = match unit {
        None => None,
        Some(_) if holds == Holds::Other => {
            return refused(
                format!("a unit for {}.{ours}", table.word()),
                "units only for times (a name with a colon in it goes into double quotes)",
            );
        }
        Some(text) => match TimeUnit::NAMES.iter().find(|(name, _)| *name == text) {
            Some((_, unit)) => Some(*unit),
            None => {
                return refused(
                    format!("the unit {text:?}"),
                    "ns, us, ms or s (a name with a colon in it goes into double quotes)",
                );
            }
        },
    };
    Ok((Pair { table, ours, theirs, unit }, next))
}

/// The table and the column that a name of ours, `label` or `events.label`, means.
fn column(text: &str) -> Result<(Table, &'static str, Holds), NamesError> {
    let (tables, name) = match text.split_once('.') {
        Some((word, name)) => match Table::ALL.into_iter().find(|table| table.word() == word) {
            Some(table) => (vec![table], name),
            None => {
                return refused(
                    format!("the table {word:?}"),
                    "packets, events, exchanges or markers before the point",
                );
            }
        },
        None => (Table::ALL.to_vec(), text),
    };
    let found = tables.iter().find_map(|&table| {
        let &(name, holds) = table.known().iter().find(|(known, _)| *known == name)?;
        Some((table, name, holds))
    });
    found.map_or_else(
        || {
            let mut names: Vec<&str> =
                tables.iter().flat_map(|table| table.known()).map(|(name, _)| *name).collect();
            let mut seen = Vec::new();
            names.retain(|name| {
                !seen.contains(name) && {
                    seen.push(name);
                    true
                }
            });
            refused(format!("the column {name:?}"), format!("one of {}", names.join(", ")))
        },
        Ok,
    )
}

/// A name whose opening quote is gone, and what follows its closing one.
fn quoted(inner: &str) -> Result<(String, &str), NamesError> {
    let mut name = String::new();
    let mut rest = inner;
    while let Some((piece, after)) = rest.split_once('"') {
        name.push_str(piece);
        match after.strip_prefix('"') {
            Some(next) => {
                name.push('"');
                rest = next;
            }
            None => return Ok((name, after)),
        }
    }
    refused(format!("{inner:?} without a closing quote"), "one")
}

/// Digits that fit the mantissa below.
const MOST_DIGITS: u32 = 37;

/// A decimal number of units of 10^`exponent` ns, in ns: exact, and where it has digits below a nanosecond, to the nearest (halves away
/// from 0). `None` where the text is no decimal number, or does not fit.
pub(crate) fn decimal_ns(text: &[u8], exponent: i32) -> Option<i64> {
    let (negative, text) = match text.split_first() {
        Some((b'-', rest)) => (true, rest),
        _ => (false, text),
    };
    let mut mantissa = 0_i128;
    let mut digits = 0;
    // Power of ten that the mantissa counts.
    let mut power = exponent;
    let mut point = false;
    let mut at = 0;
    while let Some(&byte) = text.get(at) {
        match byte {
            b'0'..=b'9' => {
                if digits < MOST_DIGITS {
                    mantissa = mantissa * 10 + i128::from(byte - b'0');
                    digits += u32::from(mantissa != 0);
                    power -= i32::from(point);
                } else if !point {
                    return None;
                }
            }
            b'.' if !point && at > 0 => point = true,
            b'e' | b'E' => break,
            _ => return None,
        }
        at += 1;
    }
    if at == 0 || text[at - 1] == b'.' {
        return None;
    }
    if let Some(written) = text.get(at + 1..) {
        let digits = written.strip_prefix(b"+").or(written.strip_prefix(b"-")).unwrap_or(written);
        if !(1..=4).contains(&digits.len()) || !digits.iter().all(u8::is_ascii_digit) {
            return None;
        }
        power += std::str::from_utf8(written).ok()?.parse::<i32>().ok()?;
    }
    let magnitude = scaled(mantissa, power)?;
    i64::try_from(if negative { -magnitude } else { magnitude }).ok()
}

/// `mantissa` × 10^`power`, to the nearest whole number, halves up; `mantissa` is not negative.
fn scaled(mantissa: i128, power: i32) -> Option<i128> {
    let factor = 10_i128.checked_pow(power.unsigned_abs());
    if power >= 0 {
        return if mantissa == 0 { Some(0) } else { mantissa.checked_mul(factor?) };
    }
    // Beyond the largest power the mantissa is less than half of it.
    let Some(divisor) = factor else { return Some(0) };
    Some(mantissa / divisor + i128::from(mantissa % divisor >= divisor - mantissa % divisor))
}

/// A binary number of units of 10^`exponent` ns, in ns, to the nearest; `None` where it does not fit.
pub(crate) fn real_ns(value: f64, exponent: i32) -> Option<i64> {
    let scale = 10_f64.powi(exponent);
    let whole = value.trunc();
    if !whole.is_finite() || whole.abs() >= 1e19 {
        return None;
    }
    // Whole units apart, so that nothing below a nanosecond is lost.
    let rest = ((value - whole) * scale).round();
    i64::try_from(whole as i128 * scale as i128 + rest as i128).ok()
}

/// A whole number of units of 10^`exponent` ns, in ns; `None` where it does not fit.
pub(crate) fn whole_ns(value: i128, exponent: i32) -> Option<i64> {
    let scaled = value.checked_mul(10_i128.pow(exponent.unsigned_abs()))?;
    i64::try_from(scaled).ok()
}

/// A decimal number of `unit`s in ms, as near as a binary number gets; `None` where the text is no finite number.
pub(crate) fn decimal_ms(text: &str, unit: TimeUnit) -> Option<f64> {
    let value = text.parse::<f64>().ok().filter(|value| value.is_finite())?;
    let shift = unit.exponent() - TimeUnit::Milliseconds.exponent();
    if shift == 0 {
        return Some(value);
    }
    // The decimal point is moved before the number is rounded to a binary one.
    let (mantissa, power) = match text.split_once(['e', 'E']) {
        Some((mantissa, power)) => (mantissa, power.parse::<i32>().ok()?),
        None => (text, 0),
    };
    format!("{mantissa}e{}", power.checked_add(shift)?).parse::<f64>().ok().filter(|value| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> Result<ColumnNames, String> {
        text.parse::<ColumnNames>().map_err(|error| error.to_string())
    }

    #[test]
    fn pairs_are_read_with_tables_units_and_quotes() {
        let names = parsed("host_ns=arrival:us,events.host_ns=\"t, \"\"x\"\":s\":s,label=code,tick=\"a:us\"")
            .unwrap();
        let of = |table, ours| {
            let wanted = names.of(table, ours);
            (wanted.name.to_owned(), wanted.asked, wanted.unit)
        };
        let microseconds = Some(TimeUnit::Microseconds);
        assert_eq!(of(Table::Packets, "host_ns"), ("arrival".to_owned(), true, microseconds));
        assert_eq!(of(Table::Events, "host_ns"), ("t, \"x\":s".to_owned(), true, Some(TimeUnit::Seconds)));
        assert_eq!(of(Table::Events, "label"), ("code".to_owned(), true, None));
        assert_eq!(of(Table::Packets, "tick"), ("a:us".to_owned(), true, None));
        assert_eq!(of(Table::Markers, "host_ns"), ("host_ns".to_owned(), false, None));
        assert!(names.mention(Table::Events) && !names.mention(Table::Markers));
    }

    #[test]
    fn what_names_no_columns_is_refused_in_these_words() {
        let form = "expected OURS=THEIRS or OURS=THEIRS:UNIT, such as host_ns=arrival:us";
        for (text, message) in [
            ("", format!("found nothing, {form}")),
            ("arrival", format!("found \"arrival\", {form}")),
            ("sequence=n,", format!("found nothing, {form}")),
            ("sequence=", format!("found no name after sequence=, {form}")),
            (
                "time=t",
                "found the column \"time\", expected one of host_ns, stream, sequence, tick, samples, label, duration_ms, \
                 origin_ns, receive_tick, transmit_tick, destination_ns"
                    .to_owned(),
            ),
            (
                "events.tick=t",
                "found the column \"tick\", expected one of host_ns, label, duration_ms".to_owned(),
            ),
            (
                "taps.tick=t",
                "found the table \"taps\", expected packets, events, exchanges or markers before the point"
                    .to_owned(),
            ),
            (
                "host_ns=t:min",
                "found the unit \"min\", expected ns, us, ms or s (a name with a colon in it goes into double quotes)"
                    .to_owned(),
            ),
            (
                "tick=t:us",
                "found a unit for packets.tick, expected units only for times (a name with a colon in it goes into double \
                 quotes)"
                    .to_owned(),
            ),
            ("tick=a,tick=b", "found packets.tick a second time, expected each column once".to_owned()),
            (
                "tick=a,sequence=a",
                "found \"a\" both as packets.tick and as packets.sequence, expected each column of the file once".to_owned(),
            ),
            ("tick=\"a", "found \"a\" without a closing quote, expected one".to_owned()),
            (
                "tick=\"a\"b",
                "found \"b\" after a closing quote, expected a comma, a colon and a unit, or the end".to_owned(),
            ),
        ] {
            assert_eq!(parsed(text), Err(message), "{text}");
        }
    }

    #[test]
    fn decimal_times_are_exact_to_the_nanosecond() {
        for (text, exponent, ns) in [
            ("0", 9, Some(0)),
            ("-0.000000001", 9, Some(-1)),
            // In binary this is 1700000000.1234567165…, off by 83 ns.
            ("1700000000.123456789", 9, Some(1_700_000_000_123_456_789)),
            ("9223372036.854775807", 9, Some(i64::MAX)),
            ("-9223372036.854775808", 9, Some(i64::MIN)),
            ("9223372036.854775808", 9, None),
            ("12.3455", 6, Some(12_345_500)),
            ("12.3", 3, Some(12_300)),
            ("7", 0, Some(7)),
            ("0.4999999999", 0, Some(0)),
            ("0.5", 0, Some(1)),
            ("-1.5", 0, Some(-2)),
            ("5023.1234567894999999", 9, Some(5_023_123_456_789)),
            ("1.5e3", 9, Some(1_500_000_000_000)),
            ("1E-9", 9, Some(1)),
            ("1e-9999", 9, Some(0)),
            ("0e9999", 9, Some(0)),
            ("1e9999", 9, None),
            ("0000000000000000000000000000000000000000000000001", 9, Some(1_000_000_000)),
            ("0.00000000000000000000000000000000000000000000000000001", 9, Some(0)),
            ("99999999999999999999999999999999999999999", 0, None),
            ("", 9, None),
            ("-", 9, None),
            (".5", 9, None),
            ("5.", 9, None),
            ("1.2.3", 9, None),
            ("+1", 9, None),
            (" 1", 9, None),
            ("1,5", 9, None),
            ("nan", 9, None),
            ("1e", 9, None),
            ("1e1.5", 9, None),
            ("1e+-1", 9, None),
            ("1e+1", 9, Some(10_000_000_000)),
        ] {
            assert_eq!(decimal_ns(text.as_bytes(), exponent), ns, "{text}");
        }
    }

    #[test]
    fn binary_times_keep_all_that_they_hold() {
        assert_eq!(real_ns(1.5, 9), Some(1_500_000_000));
        assert_eq!(real_ns(-86_400.000_000_001, 9), Some(-86_400_000_000_001));
        assert_eq!(real_ns(1_700_000_000.123_456_7, 9), Some(1_700_000_000_123_456_717));
        assert_eq!([real_ns(f64::NAN, 9), real_ns(f64::INFINITY, 0), real_ns(1e10, 9)], [None; 3]);
        assert_eq!((whole_ns(-3, 6), whole_ns(i128::from(i64::MAX), 3)), (Some(-3_000_000), None));
    }

    #[test]
    fn durations_are_rounded_once() {
        assert_eq!(decimal_ms("1.001", TimeUnit::Seconds), Some(1001.0));
        assert_eq!(decimal_ms("75000", TimeUnit::Microseconds), Some(75.0));
        assert_eq!(decimal_ms("7.5e-2", TimeUnit::Seconds), Some(75.0));
        assert_eq!(decimal_ms("75", TimeUnit::Milliseconds), Some(75.0));
        assert_eq!([decimal_ms("inf", TimeUnit::Seconds), decimal_ms("x", TimeUnit::Seconds)], [None; 2]);
    }
}
