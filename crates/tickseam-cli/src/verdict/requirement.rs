//! What a script asks of a recording: `--require u95=1ms`.

use tickseam_record::{Status, Verdict};

use crate::align::Aligned;

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

    /// Why an alignment does not meet it; `None` where it does. A recording without events meets none.
    pub fn unmet(&self, aligned: &Aligned, verdict: Option<&Verdict>) -> Option<String> {
        let rows = &aligned.events.rows;
        let placed = || rows.iter().filter(|row| row.status == Status::Placed);
        let text = &self.text;
        if rows.is_empty() {
            return Some(format!("{text} is not met: the recording has no events"));
        }
        match &self.what {
            What::U95(most_ms) => {
                let above = placed().filter(|row| row.u95_ms.is_none_or(|u95_ms| u95_ms > *most_ms)).count();
                let count = placed().count();
                if count == 0 {
                    return Some(format!("{text} is not met: no event was placed"));
                }
                (above > 0).then(|| {
                    format!("{text} is not met: {above} of {count} placed events are not known so well")
                })
            }
            What::Placed(least) => {
                let share = placed().count() as f64 / rows.len() as f64;
                (share < *least).then(|| format!("{text} is not met: {:.2} % were placed", 100.0 * share))
            }
            What::Fit(component) => {
                let verdict = verdict?;
                (!verdict.fit_for.contains(component))
                    .then(|| format!("{text} is not met: {}", verdict.sentence))
            }
        }
    }
}
