//! What a script asks of a recording: `--require u95=1ms`.

use tickseam_record::Alignment;

/// A requirement, and the text that it was given as.
#[derive(Clone, Debug, PartialEq)]
pub struct Requirement {
    text: String,
    what: What,
}

#[derive(Clone, Debug, PartialEq)]
enum What {
    /// Every placed event is known to this, ms.
    U95(f64),
    /// At least this share of the events lies where samples were received.
    Placed(f64),
    /// The verdict calls the component fit.
    Fit(String),
}

/// What may be written, for messages.
pub const EXPECTED: &str = "u95=TIME (such as u95=1ms), placed=SHARE (such as placed=95%) or fit=COMPONENT";

impl Requirement {
    /// Reads `u95=1ms`, `placed=95%` or `fit=P300-like`.
    ///
    /// # Errors
    /// What could have been written.
    pub fn parse(text: &str) -> Result<Self, String> {
        let refused = || format!("expected {EXPECTED}");
        let (key, value) = text.split_once('=').ok_or_else(refused)?;
        let what = match key.trim() {
            "u95" => What::U95(crate::unit::time_ms(value)?),
            "placed" => {
                let (number, unit) = match value.trim().strip_suffix('%') {
                    Some(number) => (number, 0.01),
                    None => (value, 1.0),
                };
                let share = number.trim().parse::<f64>().map_err(|_| refused())? * unit;
                if !(0.0..=1.0).contains(&share) {
                    return Err("expected a share from 0 to 1, or from 0% to 100%".to_owned());
                }
                What::Placed(share)
            }
            "fit" if !value.trim().is_empty() => What::Fit(value.trim().to_owned()),
            _ => return Err(refused()),
        };
        Ok(Self { text: text.to_owned(), what })
    }

    /// The component it names, if it names one.
    pub fn component(&self) -> Option<&str> {
        match &self.what {
            What::Fit(component) => Some(component),
            _ => None,
        }
    }

    /// Why a recording does not meet it; `None` where it does. A recording without events meets none.
    pub fn unmet(&self, alignment: &Alignment) -> Option<String> {
        let text = &self.text;
        let Some(verdict) = &alignment.verdict else {
            return Some(format!("{text} is not met: the recording has no events"));
        };
        match &self.what {
            What::U95(most_ms) => {
                let largest = verdict.conditions.iter().filter_map(|condition| condition.u95_largest_ms);
                match largest.max_by(f64::total_cmp) {
                    None => Some(format!("{text} is not met: no event was placed")),
                    Some(largest_ms) => (largest_ms > *most_ms).then(|| {
                        let largest = crate::summary::milliseconds(largest_ms);
                        format!("{text} is not met: the least sure placed event is known to ±{largest}")
                    }),
                }
            }
            What::Placed(least) => {
                let share = alignment.events.placed as f64 / alignment.events.total as f64;
                (share < *least).then(|| format!("{text} is not met: {:.2} % were placed", 100.0 * share))
            }
            What::Fit(component) => (!verdict.fit_for.contains(component))
                .then(|| format!("{text} is not met: {}", verdict.sentence)),
        }
    }
}
