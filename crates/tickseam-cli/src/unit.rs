//! Quantities as people write them on a command line.

/// A whole number, 0 or more: a seed, a channel.
pub(crate) fn whole<T: std::str::FromStr>(text: &str) -> Result<T, String> {
    let bits = 8 * size_of::<T>();
    text.parse().map_err(|_| format!("expected a whole number, 0 or more, of at most {bits} bits"))
}

/// A time with its unit, in ms.
pub(crate) fn time_ms(text: &str) -> Result<f64, String> {
    signed_time_ms(text)
        .filter(|ms| *ms > 0.0)
        .ok_or_else(|| "expected a time above 0 with its unit: 1ms, 500us".to_owned())
}

fn signed_time_ms(text: &str) -> Option<f64> {
    let units = [("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)];
    let (number, ms) = units.into_iter().find_map(|(unit, ms)| Some((text.strip_suffix(unit)?, ms)))?;
    Some(number.trim().parse::<f64>().ok()? * ms).filter(|ms| ms.is_finite())
}

/// Two times with their units and a colon between, the earlier first, in ms.
pub(crate) fn range_ms(text: &str) -> Result<[f64; 2], String> {
    let expected = || "expected two times with their units, the earlier first: -200ms:800ms".to_owned();
    let (from, to) = text.split_once(':').ok_or_else(expected)?;
    let range = signed_time_ms(from).zip(signed_time_ms(to)).filter(|(from, to)| from < to);
    range.map(|(from, to)| [from, to]).ok_or_else(expected)
}

/// A frequency with its unit, in Hz.
pub(crate) fn frequency_hz(text: &str) -> Result<f64, String> {
    let (number, factor) = match text.strip_suffix("kHz") {
        Some(number) => (Some(number), 1e3),
        None => (text.strip_suffix("Hz"), 1.0),
    };
    let value = number.and_then(|number| number.trim().parse::<f64>().ok()).map(|value| value * factor);
    value
        .filter(|value| *value > 0.0 && value.is_finite())
        .ok_or_else(|| "expected a frequency above 0 with its unit: 30Hz, 0.5kHz".to_owned())
}
