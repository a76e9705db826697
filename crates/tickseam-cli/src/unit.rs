//! Quantities as people write them on a command line.

/// A time with its unit, in ms.
pub(crate) fn time_ms(text: &str) -> Result<f64, String> {
    let units = [("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)];
    let found = units.into_iter().find_map(|(unit, ms)| Some((text.strip_suffix(unit)?, ms)));
    let value = found.and_then(|(number, ms)| Some(number.trim().parse::<f64>().ok()? * ms));
    value
        .filter(|ms| *ms > 0.0 && ms.is_finite())
        .ok_or_else(|| "expected a time above 0 with its unit: 1ms, 500us".to_owned())
}
