//! What a recording has to meet: a small file that its user may change.

use serde::Deserialize;

/// The file that holds where none is given.
pub const DEFAULT: &str = include_str!("criteria.toml");

/// What a recording has to meet.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Criteria {
    /// Revision of the file's layout: 1.
    format: u32,
    /// Least share of a label's events that lie where samples were received, 0 to 1.
    pub placed_share: f64,
    /// What is to be seen in an average.
    #[serde(rename = "component")]
    pub components: Vec<Component>,
}

/// A component of an averaged response, a Gaussian bump, and what timing may do to it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Component {
    /// What it is called.
    pub name: String,
    /// Its standard deviation, ms.
    pub sd_ms: f64,
    /// Least share of its amplitude that may be left, 0 to 1.
    pub amplitude_left: f64,
    /// Most that the latency of a label's average may be off, ms.
    pub latency_shift_ms: f64,
    /// Most that the difference of two labels' latencies may be off, ms.
    pub latency_difference_ms: f64,
}

impl Criteria {
    /// Reads the text of a criteria file.
    ///
    /// # Errors
    /// What is wrong, with its key, in words.
    pub fn from_toml(text: &str) -> Result<Self, String> {
        let criteria: Self = toml::from_str(text).map_err(|error| {
            let line = error.span().map(|span| 1 + text[..span.start.min(text.len())].matches('\n').count());
            let place = line.map_or_else(String::new, |line| format!("line {line}: "));
            format!("{place}{}", error.message())
        })?;
        let expected = |key: &str, found: f64, expected: &str| {
            Err(format!("key {key:?}: found {found}, expected {expected}"))
        };
        if criteria.format != 1 {
            return Err(format!("key \"format\": found {}, expected 1", criteria.format));
        }
        if !(0.0..=1.0).contains(&criteria.placed_share) {
            return expected("placed_share", criteria.placed_share, "a share from 0 to 1");
        }
        if criteria.components.is_empty() {
            return Err("found no [[component]], expected one at least".to_owned());
        }
        for (place, component) in criteria.components.iter().enumerate() {
            if criteria.components[..place].iter().any(|other| other.name == component.name) {
                let name = &component.name;
                return Err(format!(
                    "key \"component.name\": found {name:?} a second time, expected a name of its own"
                ));
            }
            let Component { name, sd_ms, amplitude_left, latency_shift_ms, latency_difference_ms } =
                component;
            if name.trim().is_empty() {
                return Err("key \"component.name\": found an empty text, expected a name".to_owned());
            }
            for (key, value) in [
                ("sd_ms", *sd_ms),
                ("latency_shift_ms", *latency_shift_ms),
                ("latency_difference_ms", *latency_difference_ms),
            ] {
                if !(value > 0.0 && value.is_finite()) {
                    return expected(&format!("component.{key}"), value, "a finite number above 0");
                }
            }
            if !(0.0..=1.0).contains(amplitude_left) {
                return expected("component.amplitude_left", *amplitude_left, "a share from 0 to 1");
            }
        }
        Ok(criteria)
    }
}

impl Default for Criteria {
    /// Those of [`DEFAULT`].
    fn default() -> Self {
        Self::from_toml(DEFAULT)
            .unwrap_or_else(|fault| unreachable!("the criteria that are built in: {fault}"))
    }
}
