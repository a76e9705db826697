//! Numbers over many answers, and Markdown tables of them.

use std::fmt::Write as _;

use crate::recording::Answer;

/// Errors without their sign, ms, sorted.
#[derive(Clone, Debug, Default)]
pub(crate) struct Errors(Vec<f64>);

impl Errors {
    pub(crate) fn new(errors_ms: impl Iterator<Item = f64>) -> Self {
        let mut sizes: Vec<f64> = errors_ms.map(f64::abs).collect();
        sizes.sort_by(f64::total_cmp);
        Self(sizes)
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The smallest error that so many percent do not exceed, ms.
    pub(crate) fn percentile_ms(&self, percent: usize) -> f64 {
        let rank = (self.0.len() * percent).div_ceil(100);
        self.0.get(rank.saturating_sub(1)).copied().unwrap_or(f64::NAN)
    }

    pub(crate) fn rms_ms(&self) -> f64 {
        mean(self.0.iter().map(|error_ms| error_ms * error_ms)).sqrt()
    }
}

/// NaN of nothing.
pub(crate) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

/// The lower of the two middle ones; NaN of nothing.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len().saturating_sub(1) / 2).copied().unwrap_or(f64::NAN)
}

/// Share of the answers whose interval holds the truth; an event without a place, or in a wrong segment, is not held.
pub(crate) fn held_share(answers: &[Answer]) -> f64 {
    mean(answers.iter().map(|answer| f64::from(u8::from(answer.held()))))
}

/// Largest |error| over its half-width; infinite where an event has no place or a wrong segment.
pub(crate) fn worst_ratio(answers: &[Answer]) -> f64 {
    let ratio = |answer: &Answer| answer.error_ms.map_or(f64::INFINITY, |ms| ms.abs() / answer.u95_ms);
    answers.iter().map(ratio).fold(0.0, f64::max)
}

/// Mean half-width over RMS error; `None` where no event has a place.
fn width(answers: &[Answer]) -> Option<f64> {
    let placed = || answers.iter().filter_map(|answer| Some((answer.error_ms?, answer.u95_ms)));
    let rms_ms = Errors::new(placed().map(|(error_ms, _)| error_ms)).rms_ms();
    (!rms_ms.is_nan()).then(|| mean(placed().map(|(_, u95_ms)| u95_ms)) / rms_ms)
}

/// Several recordings' answers, taken together.
#[derive(Clone, Debug)]
pub(crate) struct Summary {
    pub(crate) recordings: usize,
    pub(crate) instants: usize,
    /// Mean over recordings of the share held.
    pub(crate) held: f64,
    /// Share of the recordings that held fewer than 80 % of their instants.
    pub(crate) poor: f64,
    pub(crate) worst: f64,
    /// Events without a place, or in another segment than the true one.
    pub(crate) unplaced: usize,
    pub(crate) errors: Errors,
    pub(crate) mean_u95_ms: f64,
    /// A recording's mean half-width over its RMS error, of the median recording.
    pub(crate) median_width: f64,
}

impl Summary {
    /// Of recordings' answers; those without any are left out.
    pub(crate) fn new<'a>(recordings: impl Iterator<Item = &'a [Answer]>) -> Self {
        let recordings: Vec<&[Answer]> = recordings.filter(|answers| !answers.is_empty()).collect();
        let held: Vec<f64> = recordings.iter().map(|answers| held_share(answers)).collect();
        let all = || recordings.iter().flat_map(|answers| answers.iter());
        let placed = || all().filter(|answer| answer.error_ms.is_some());
        Self {
            recordings: recordings.len(),
            instants: all().count(),
            held: mean(held.iter().copied()),
            poor: mean(held.iter().map(|&held| f64::from(u8::from(held < 0.8)))),
            worst: recordings.iter().map(|answers| worst_ratio(answers)).fold(0.0, f64::max),
            unplaced: all().count() - placed().count(),
            errors: Errors::new(all().filter_map(|answer| answer.error_ms)),
            mean_u95_ms: mean(placed().map(|answer| answer.u95_ms)),
            median_width: median(recordings.iter().filter_map(|answers| width(answers)).collect()),
        }
    }

    pub(crate) const HEADINGS: [&'static str; 13] = [
        "recordings",
        "instants",
        "held",
        "held < 80 %",
        "worst ÷ u95",
        "unplaced",
        "p50 ms",
        "p95 ms",
        "p99 ms",
        "RMS ms",
        "mean u95 ms",
        "mean u95 ÷ RMS",
        "the same, median recording",
    ];

    pub(crate) fn cells(&self) -> Vec<String> {
        let rms_ms = self.errors.rms_ms();
        vec![
            self.recordings.to_string(),
            self.instants.to_string(),
            percent(self.held),
            percent(self.poor),
            number(self.worst),
            self.unplaced.to_string(),
            number(self.errors.percentile_ms(50)),
            number(self.errors.percentile_ms(95)),
            number(self.errors.percentile_ms(99)),
            number(rms_ms),
            number(self.mean_u95_ms),
            number(self.mean_u95_ms / rms_ms),
            number(self.median_width),
        ]
    }
}

/// A share as percent with one decimal.
pub(crate) fn percent(share: f64) -> String {
    if share.is_nan() { "–".to_owned() } else { format!("{:.1} %", share * 100.0) }
}

/// Three significant digits, or as many decimals as that takes; a dash for nothing.
pub(crate) fn number(value: f64) -> String {
    let size = value.abs();
    if value.is_nan() {
        "–".to_owned()
    } else if size >= 100.0 {
        format!("{value:.0}")
    } else if size >= 10.0 {
        format!("{value:.1}")
    } else if size >= 1.0 {
        format!("{value:.2}")
    } else if size >= 0.1 {
        format!("{value:.3}")
    } else {
        format!("{value:.4}")
    }
}

/// A Markdown table under a sentence.
#[derive(Debug)]
pub(crate) struct Table(String);

impl Table {
    pub(crate) fn new(title: &str, headings: &[&str]) -> Self {
        let mut text = format!("{title}\n\n");
        let rule = vec!["---"; headings.len()];
        for row in [headings, &rule] {
            let _ = writeln!(text, "| {} |", row.join(" | "));
        }
        Self(text)
    }

    pub(crate) fn row(&mut self, cells: &[String]) {
        let _ = writeln!(self.0, "| {} |", cells.join(" | "));
    }
}

impl std::fmt::Display for Table {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(error_ms: Option<f64>, u95_ms: f64) -> Answer {
        Answer { at_s: 0.0, since_fault_s: f64::NEG_INFINITY, error_ms, u95_ms }
    }

    #[test]
    fn a_recording_counts_once_however_many_instants_it_has() {
        let good = [answer(Some(-0.5), 1.0); 9];
        let bad = [answer(Some(3.0), 1.0)];
        let summary = Summary::new([&good[..], &bad[..], &[]].into_iter());
        assert_eq!((summary.recordings, summary.instants, summary.unplaced), (2, 10, 0));
        assert_eq!((summary.held, summary.poor, summary.worst), (0.5, 0.5, 3.0));
        assert_eq!((summary.errors.percentile_ms(50), summary.errors.percentile_ms(99)), (0.5, 3.0));
        assert!((summary.errors.rms_ms() - ((9.0 * 0.25 + 9.0) / 10.0_f64).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn an_event_without_a_place_is_not_held() {
        let answers = [answer(Some(0.0), 1.0), answer(None, 1.0)];
        let summary = Summary::new([&answers[..]].into_iter());
        assert_eq!((summary.held, summary.unplaced), (0.5, 1));
        assert!(summary.worst.is_infinite());
    }

    #[test]
    fn numbers_keep_three_digits() {
        let shown = [1234.5, 12.345, 1.2345, 0.12345, 0.012_345, f64::NAN].map(number);
        assert_eq!(shown, ["1234", "12.3", "1.23", "0.123", "0.0123", "–"]);
    }
}
