//! Conversions between integers and floats, each in one place with its reason.

/// The nearest `f64`: exact up to 2^53 (104 days of nanoseconds), and within 2^-53 of itself beyond.
#[expect(
    clippy::cast_precision_loss,
    reason = "differences are taken as integers first; see the doc comment"
)]
pub(crate) const fn float(value: i64) -> f64 {
    value as f64
}

/// The nearest `f64` of a count: counts stay far below 2^53.
#[expect(clippy::cast_precision_loss, reason = "counts stay far below 2^53")]
pub(crate) const fn count(value: usize) -> f64 {
    value as f64
}

/// The whole number nearest to `value`, halves away from zero; saturates, and 0 for NaN.
#[expect(clippy::cast_possible_truncation, reason = "`as` saturates, which is what is promised")]
pub(crate) fn nearest(value: f64) -> i64 {
    libm::round(value) as i64
}

/// The whole part of a value that is not negative, for storage in bounded buffers; saturates, and 0 for NaN.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "`as` saturates, which is what is promised"
)]
pub(crate) const fn whole_u16(value: f64) -> u16 {
    value as u16
}

/// The single-precision value nearest to `value`, for storage in bounded buffers.
#[expect(clippy::cast_possible_truncation, reason = "rounding to single precision is the purpose")]
pub(crate) const fn single(value: f64) -> f32 {
    value as f32
}

/// The difference of two whole numbers as a float, taken exactly before rounding where it fits in 64 bits.
pub(crate) const fn difference(a: i64, b: i64) -> f64 {
    match a.checked_sub(b) {
        Some(d) => float(d),
        None => float(a) - float(b),
    }
}

/// The magnitude of a value.
pub(crate) const fn magnitude(value: f64) -> f64 {
    if value < 0.0 { -value } else { value }
}

/// The greater of two values; `b` where `a` is NaN.
pub(crate) const fn greater(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// The lesser of two values; `b` where `a` is NaN.
pub(crate) const fn lesser(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// `value` kept between two bounds.
pub(crate) const fn between(value: f64, low: f64, high: f64) -> f64 {
    if value < low {
        low
    } else if value > high {
        high
    } else {
        value
    }
}
