//! What many seeds gave, in a few figures.

use super::run::{Answer, Run};

/// The figures of one scenario.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Share of the events whose interval holds the truth; NaN where there are none.
    pub held: f64,
    /// Largest |error| ÷ `u95`; 0 where there are no answers.
    pub worst_ratio: f64,
    /// Half of the events err by no more, ms.
    pub p50_ms: f64,
    /// 99 % of them, ms.
    pub p99_ms: f64,
    /// Mean half-width, ms.
    pub u95_ms: f64,
    /// Share of the causal answers that hold.
    pub live_held: f64,
    /// Their largest |error| ÷ `u95`.
    pub live_worst_ratio: f64,
    /// Mean half-width at both ends over that in the middle.
    pub ends_over_middle: f64,
    /// Largest |error| of `sample` ÷ `u95`.
    pub sample_ratio: f64,
    /// Share of the statuses that are right; 1 where none is beyond doubt.
    pub status_right: f64,
    /// Share of the events without a clock map.
    pub unplaced: f64,
    /// Share of the events put into the time of another restart.
    pub elsewhere: f64,
}

fn held(answers: &[Answer], elsewhere: u64) -> f64 {
    let held = answers.iter().filter(|answer| answer.error_ms.abs() <= answer.u95_ms).count();
    held as f64 / (answers.len() as f64 + elsewhere as f64)
}

fn worst(answers: &[Answer], error_ms: fn(&Answer) -> f64) -> f64 {
    let ratio = |answer: &Answer| {
        let ratio = error_ms(answer).abs() / answer.u95_ms;
        // An exact answer with nothing in doubt.
        if ratio.is_nan() { 0.0 } else { ratio }
    };
    answers.iter().map(ratio).fold(0.0, f64::max)
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

fn share(part: u64, of: u64, of_nothing: f64) -> f64 {
    if of == 0 { of_nothing } else { part as f64 / of as f64 }
}

/// The smallest size that so large a share does not exceed.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let rank = (sorted.len() as f64 * share).ceil() as usize;
    sorted.get(rank.max(1) - 1).copied().unwrap_or(f64::NAN)
}

impl Figures {
    /// Over all events of these runs.
    #[must_use]
    pub fn of<'a>(runs: impl Iterator<Item = &'a Run> + Clone) -> Self {
        let answers: Vec<Answer> = runs.clone().flat_map(|run| run.answers.iter().copied()).collect();
        let live: Vec<Answer> = runs.clone().flat_map(|run| run.live.iter().copied()).collect();
        let sum = |of: fn(&Run) -> u64| runs.clone().map(of).sum::<u64>();
        let mut sizes: Vec<f64> = answers.iter().map(|answer| answer.error_ms.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let u95_where = |wanted: fn(f64) -> bool| {
            mean(answers.iter().filter(|answer| wanted(answer.at)).map(|answer| answer.u95_ms))
        };
        let sure = sum(|run| run.status_sure);
        Self {
            held: held(&answers, sum(|run| run.elsewhere)),
            worst_ratio: worst(&answers, |answer| answer.error_ms),
            p50_ms: quantile(&sizes, 0.5),
            p99_ms: quantile(&sizes, 0.99),
            u95_ms: mean(answers.iter().map(|answer| answer.u95_ms)),
            live_held: held(&live, sum(|run| run.live_elsewhere)),
            live_worst_ratio: worst(&live, |answer| answer.error_ms),
            ends_over_middle: u95_where(|at| !(0.1..0.9).contains(&at))
                / u95_where(|at| (0.45..0.55).contains(&at)),
            sample_ratio: worst(&answers, |answer| answer.sample_error_ms),
            status_right: 1.0 - share(sum(|run| run.status_wrong), sure, 0.0),
            unplaced: share(sum(|run| run.statuses[3]), sum(|run| run.events), 0.0),
            elsewhere: share(sum(|run| run.elsewhere), sum(|run| run.events), 0.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(at: f64, error_ms: f64, u95_ms: f64) -> Answer {
        Answer { at, error_ms, sample_error_ms: 2.0 * error_ms, u95_ms }
    }

    #[test]
    fn shares_and_ratios_are_what_they_say() {
        let answers: Vec<Answer> =
            (1..=200).map(|n| answer(f64::from(n) / 201.0, -f64::from(n) * 1e-3, 0.1)).collect();
        assert!((held(&answers, 0) - 0.5).abs() < 1e-12);
        assert!((held(&answers, 200) - 0.25).abs() < 1e-12);
        assert!((worst(&answers, |a| a.error_ms) - 2.0).abs() < 1e-12);
        assert!((worst(&answers, |a| a.sample_error_ms) - 4.0).abs() < 1e-12);
        assert_eq!(worst(&[answer(0.0, 0.0, 0.0)], |a| a.error_ms), 0.0);
        assert_eq!(worst(&[answer(0.0, 1.0, 0.0)], |a| a.error_ms), f64::INFINITY);
        let sorted: Vec<f64> = (1..=200).map(f64::from).collect();
        assert_eq!([0.5, 0.99, 1.0].map(|share| quantile(&sorted, share)), [100.0, 198.0, 200.0]);
        assert!(quantile(&[], 0.5).is_nan() && held(&[], 0).is_nan());
    }
}
