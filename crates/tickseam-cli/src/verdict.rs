//! Whether a recording serves its purpose: what the errors of placement can do to an average over trials.
//!
//! Each placement is known to ± `u95`. How much of that scatters from trial to trial and how much is common to them cannot be told
//! from one recording, so both are taken at their worst:
//! - **amplitude left**: as if every trial's error were its own ([`attenuation`]), with the standard deviation `u95` / 1.96;
//! - **latency shift**: as if all errors were one: the mean of the trials' `u95`. No correlation makes the mean's uncertainty larger than
//!   the mean of the uncertainties;
//! - **latency difference** of two labels: the fixed delay is the same for both and falls out. What the clock is off is the same for
//!   trials at one time, and falls out as far as both labels have trials there: [`difference`] has the bound. Blocks of one label after blocks
//!   of another get the sum of both shifts, labels that are mixed well next to nothing.
//!
//! A component counts as fit where all limits of the [`Criteria`] are met. Responses are read by qualified people: "fit" speaks of timing alone.

pub mod attenuation;
pub mod criteria;
pub mod difference;
pub mod requirement;

use std::collections::BTreeMap;

use tickseam::student::NORMAL_COVERAGE_FACTOR_95;
use tickseam_record::{ComponentVerdict, ConditionVerdict, DifferenceVerdict, EventRow, Status, Verdict};

use self::attenuation::amplitude_left;
use self::criteria::Criteria;
use self::difference::{Trial, latency_difference_ms};
use crate::align::Aligned;
use crate::quantile::of_sorted;

/// Labels that are compared with each other, the ones with most events: pairs grow with their square.
pub const MOST_COMPARED: usize = 12;

/// Judges an alignment. `None` where there are no events.
pub fn judge(aligned: &Aligned, criteria: &Criteria) -> Option<Verdict> {
    let mut of_label: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (place, row) in aligned.events.rows.iter().enumerate() {
        of_label.entry(&row.label).or_default().push(place);
    }
    if of_label.is_empty() {
        return None;
    }
    let conditions: Vec<ConditionVerdict> =
        of_label.iter().map(|(label, places)| condition(aligned, label, places, criteria)).collect();
    let mut compared: Vec<(&&str, &Vec<usize>)> = of_label.iter().collect();
    compared.sort_by_key(|(_, places)| std::cmp::Reverse(places.len()));
    compared.truncate(MOST_COMPARED);
    compared.sort_by_key(|(label, _)| **label);
    let trials: Vec<(&str, Vec<Trial>)> =
        compared.iter().map(|(label, places)| (**label, trials(aligned, places))).collect();
    let mut differences = Vec::new();
    for (number, (label, of_label)) in trials.iter().enumerate() {
        for (other, of_other) in &trials[number + 1..] {
            if let Some(ms) = latency_difference_ms(of_label, of_other) {
                differences.push(DifferenceVerdict {
                    label: (*label).to_owned(),
                    other_label: (*other).to_owned(),
                    latency_difference_ms: ms,
                });
            }
        }
    }
    let fit_for = criteria
        .components
        .iter()
        .filter(|component| {
            let of_condition = |condition: &ConditionVerdict| {
                condition.components.iter().all(|judged| judged.name != component.name || judged.fit)
            };
            conditions.iter().all(of_condition)
                && differences
                    .iter()
                    .all(|difference| difference.latency_difference_ms <= component.latency_difference_ms)
        })
        .map(|component| component.name.clone())
        .collect();
    let components = criteria.components.iter().map(|component| component.name.clone()).collect();
    let mut verdict = Verdict { components, fit_for, sentence: String::new(), conditions, differences };
    verdict.sentence = sentence(&verdict, criteria);
    Some(verdict)
}

fn is_placed(row: &EventRow) -> bool {
    row.status == Status::Placed
}

fn condition(aligned: &Aligned, label: &str, places: &[usize], criteria: &Criteria) -> ConditionVerdict {
    let rows = || places.iter().map(|&place| &aligned.events.rows[place]);
    let mut u95_ms: Vec<f64> = rows().filter(|row| is_placed(row)).filter_map(|row| row.u95_ms).collect();
    u95_ms.sort_by(f64::total_cmp);
    let placed = u95_ms.len() as u64;
    let placed_share = placed as f64 / places.len() as f64;
    let fixed_delay_unknown = rows().any(|row| is_placed(row) && row.excludes_fixed_delay);
    let shift_ms = (placed > 0).then(|| u95_ms.iter().sum::<f64>() / placed as f64);
    let components = criteria
        .components
        .iter()
        .map(|component| {
            let left = amplitude_left(
                component.sd_ms,
                u95_ms.iter().map(|u95_ms| u95_ms / NORMAL_COVERAGE_FACTOR_95),
            );
            let mut unmet = Vec::new();
            if placed_share < criteria.placed_share {
                unmet.push(format!(
                    "{:.1} % of the events lie where samples were received, asked {:.1} %",
                    100.0 * placed_share,
                    100.0 * criteria.placed_share
                ));
            }
            if placed > 0 && left < component.amplitude_left {
                unmet.push(format!(
                    "{:.1} % of the amplitude may be left, asked {:.1} %",
                    100.0 * left,
                    100.0 * component.amplitude_left
                ));
            }
            if fixed_delay_unknown {
                unmet.push("the fixed delay is unknown, and the latency is off by it".to_owned());
            }
            if let Some(shift_ms) = shift_ms.filter(|shift_ms| *shift_ms > component.latency_shift_ms) {
                unmet.push(format!(
                    "the latency may be off by {}, asked {}",
                    crate::summary::milliseconds(shift_ms),
                    crate::summary::milliseconds(component.latency_shift_ms)
                ));
            }
            ComponentVerdict {
                name: component.name.clone(),
                sd_ms: component.sd_ms,
                amplitude_left: (placed > 0).then_some(left),
                fit: unmet.is_empty() && placed > 0,
                unmet,
            }
        })
        .collect();
    ConditionVerdict {
        label: label.to_owned(),
        events: places.len() as u64,
        placed,
        placed_share,
        u95_median_ms: of_sorted(&u95_ms, 0.5),
        u95_p95_ms: of_sorted(&u95_ms, 0.95),
        u95_largest_ms: u95_ms.last().copied(),
        latency_shift_ms: shift_ms,
        fixed_delay_unknown,
        components,
    }
}

/// The placed events of one label, as [`difference`] needs them.
fn trials(aligned: &Aligned, places: &[usize]) -> Vec<Trial> {
    places
        .iter()
        .filter_map(|&place| {
            let row = &aligned.events.rows[place];
            let budget = aligned.budgets[place]?;
            let (segment, onset_s) = (row.segment.filter(|_| is_placed(row))?, row.onset_s?);
            let estimate = aligned.estimates.get(&segment)?;
            let number = estimate.pieces.iter().rposition(|piece| piece.from_s <= onset_s).unwrap_or(0);
            let (knot, _) = estimate.pieces.get(number)?.known_at(onset_s);
            Some(Trial {
                stretch: (segment, number),
                at_s: onset_s,
                clock_ms: (budget.link_us + budget.holdover_us + budget.resolution_us) / 1e3,
                rate_ppm: (knot.rate_high_ppm - knot.rate_ppm).max(knot.rate_ppm - knot.rate_low_ppm),
                latency_ms: budget.latency_us / 1e3,
            })
        })
        .collect()
}

/// Characters of a label that a sentence repeats.
const SHOWN: usize = 40;

/// A label inside a sentence: nothing in it can break the line or the terminal.
fn quoted(label: &str) -> String {
    let mut shown: String =
        label.chars().take(SHOWN).map(|one| if one.is_control() { ' ' } else { one }).collect();
    if label.chars().nth(SHOWN).is_some() {
        shown.push('…');
    }
    format!("“{shown}”")
}

/// The verdict in one sentence or two.
fn sentence(verdict: &Verdict, criteria: &Criteria) -> String {
    let names = |names: &[&str]| match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    };
    let fit: Vec<&str> = verdict.fit_for.iter().map(String::as_str).collect();
    let unfit: Vec<&str> =
        verdict.components.iter().map(String::as_str).filter(|name| !fit.contains(name)).collect();
    let mut text = match (fit.is_empty(), unfit.is_empty()) {
        (false, true) => format!("Fit for {} components.", names(&fit)),
        (true, _) => format!("Fit for none of {} components", names(&unfit)),
        (false, false) => format!("Fit for {} components, not for {}", names(&fit), names(&unfit)),
    };
    let Some(first) = unfit.last() else { return text };
    let in_condition = verdict.conditions.iter().find_map(|condition| {
        let judged = condition.components.iter().find(|judged| judged.name == *first && !judged.fit)?;
        let cause = judged.unmet.first().cloned().unwrap_or_else(|| "no event was placed".to_owned());
        Some(format!(": for {}, {cause}.", quoted(&condition.label)))
    });
    let in_difference = || {
        let worst = verdict
            .differences
            .iter()
            .max_by(|a, b| a.latency_difference_ms.total_cmp(&b.latency_difference_ms))?;
        let asked = criteria.components.iter().find(|component| component.name == *first)?;
        Some(format!(
            ": between {} and {} latencies may be off by {}, asked {}.",
            quoted(&worst.label),
            quoted(&worst.other_label),
            crate::summary::milliseconds(worst.latency_difference_ms),
            crate::summary::milliseconds(asked.latency_difference_ms)
        ))
    };
    text.push_str(&in_condition.or_else(in_difference).unwrap_or_else(|| ".".to_owned()));
    text
}
