//! The tables of a report.

use std::fmt::Write as _;

use tickseam_record::{Alignment, EventRow, Status, Verdict};

use super::chart::plain;
use super::traces::{CAUSES, Traces, lines_ms, shares_ms};
use crate::align::{Aligned, Captured};
use crate::page::escape;
use crate::quantile::{median, of_sorted};
use crate::stability::Octave;
use crate::summary::Finding;
use crate::verdict::criteria::{Criteria, DEFAULT};

/// Rows of the table of events, and of gaps: the page stays small however long the night; the files have all.
const MOST_EVENTS: usize = 1_000;
const MOST_GAPS: usize = 20;

fn begin(page: &mut String, class: &str, headings: &[&str]) {
    let _ = write!(page, "<table class=\"{class}\"><thead><tr>");
    for (place, heading) in headings.iter().enumerate() {
        let left = if place == 0 { " class=\"left\"" } else { "" };
        let _ = write!(page, "<th scope=\"col\"{left}>{}</th>", escape(heading));
    }
    page.push_str("</tr></thead><tbody>");
}

fn row(page: &mut String, cells: &[String]) {
    page.push_str("<tr>");
    for (place, cell) in cells.iter().enumerate() {
        let left = if place == 0 { " class=\"left\"" } else { "" };
        let _ = write!(page, "<td{left}>{}</td>", escape(cell));
    }
    page.push_str("</tr>");
}

fn number(value: Option<f64>, decimals: usize) -> String {
    match value.filter(|value| value.is_finite()) {
        Some(value) => format!("{value:.decimals$}").replace('-', "\u{2212}"),
        None => "–".to_owned(),
    }
}

/// What is left of each component under each label.
pub(super) fn conditions(page: &mut String, verdict: Option<&Verdict>, criteria: &Criteria) {
    let Some(verdict) = verdict else { return };
    page.push_str("<h2>Fit for what</h2>\n<div class=\"wide\">");
    let mut headings: Vec<String> =
        ["label", "events", "placed", "u95 median, ms", "u95 95 %, ms", "worst, ms", "latency off by, ms"]
            .map(str::to_owned)
            .to_vec();
    for component in &criteria.components {
        headings.push(format!("{} ({} ms)", component.name, plain(component.sd_ms)));
    }
    begin(page, "", &headings.iter().map(String::as_str).collect::<Vec<_>>());
    for condition in &verdict.conditions {
        let mut cells = vec![
            condition.label.clone(),
            condition.events.to_string(),
            format!("{:.1} %", 100.0 * condition.placed_share),
            number(condition.u95_median_ms, 2),
            number(condition.u95_p95_ms, 2),
            number(condition.u95_largest_ms, 2),
            if condition.fixed_delay_unknown {
                format!("{} + fixed delay", number(condition.latency_shift_ms, 2))
            } else {
                number(condition.latency_shift_ms, 2)
            },
        ];
        cells.extend(condition.components.iter().map(|component| {
            format!(
                "{} {} %",
                if component.fit { "✓" } else { "✗" },
                number(component.amplitude_left.map(|left| 100.0 * left), 1)
            )
        }));
        row(page, &cells);
    }
    page.push_str("</tbody></table></div>\n");
    if !verdict.differences.is_empty() {
        page.push_str("<details><summary>Differences between labels</summary><div class=\"wide\">");
        begin(page, "", &["labels", "their latencies' difference off by, ms"]);
        for difference in &verdict.differences {
            let labels = format!("{} and {}", difference.label, difference.other_label);
            row(page, &[labels, number(Some(difference.latency_difference_ms), 3)]);
        }
        page.push_str("</tbody></table></div></details>\n");
    }
    page.push_str(
        "<p class=\"soft\">Under each component (its width as a standard deviation): ✓ where every limit on the label is met, and the share of \
         its amplitude that an average keeps if all placements err independently. \"Latency off by\": if all err alike. Between labels, what the \
         clock is off falls out as far as both have trials at the same time.</p>\n",
    );
}

/// The longest gaps.
pub(super) fn gaps(page: &mut String, aligned: &Aligned) {
    if aligned.gaps.is_empty() {
        page.push_str("<p>No sample is missing between the first and the last that came.</p>\n");
        return;
    }
    let mut longest: Vec<_> = aligned.gaps.iter().collect();
    longest.sort_by(|a, b| b.duration_s.unwrap_or(0.0).total_cmp(&a.duration_s.unwrap_or(0.0)));
    page.push_str("<div class=\"wide\">");
    begin(page, "", &["stream", "segment", "at, s", "length, s", "packets", "samples"]);
    for gap in longest.iter().take(MOST_GAPS) {
        row(
            page,
            &[
                gap.stream.clone(),
                gap.segment.to_string(),
                number(gap.onset_s, 3),
                number(gap.duration_s, 3),
                gap.packets_missing.to_string(),
                gap.samples_missing.to_string(),
            ],
        );
    }
    page.push_str("</tbody></table></div>\n");
    if longest.len() > MOST_GAPS {
        let _ = writeln!(
            page,
            "<p class=\"soft\">The {MOST_GAPS} longest of {}; all are in gaps.csv.</p>",
            longest.len()
        );
    }
}

/// Packet delay variation, in both forms.
pub(super) fn variation(page: &mut String, traces: &Traces) {
    if traces.delays.is_empty() {
        return;
    }
    let of = |values: &[f32], share: f64| number(of_sorted(values, share).map(f64::from), 3);
    let least = traces.sorted_ms.first().copied().unwrap_or(0.0);
    let above: Vec<f32> = traces.sorted_ms.iter().map(|ms| ms - least).collect();
    page.push_str("<div class=\"wide\">");
    begin(page, "", &["packet delay variation, ms", "median", "95 %", "99 %", "99.9 %", "largest"]);
    for (words, values) in [
        ("against the quickest packet (RFC 5481, PDV)", &above),
        ("from one packet to the next, size (RFC 3393, IPDV)", &traces.variation_ms),
    ] {
        let mut cells = vec![words.to_owned()];
        cells.extend([0.5, 0.95, 0.99, 0.999, 1.0].map(|share| of(values, share)));
        row(page, &cells);
    }
    page.push_str(
        "</tbody></table></div>\n<p class=\"soft\">The drift of the clocks is taken off first.</p>\n",
    );
}

/// The measures of steadiness as numbers.
pub(super) fn stability(page: &mut String, octaves: &[Octave]) {
    page.push_str("<details><summary>The same as numbers</summary><div class=\"wide\">");
    begin(page, "", &["τ, s", "TDEV, ms", "MTIE, ms", "Allan deviation", "modified Allan"]);
    for octave in octaves {
        let rate = |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |value| format!("{value:.2e}"));
        row(
            page,
            &[
                plain(octave.tau_s),
                number(octave.time_deviation_s.map(|s| s * 1e3), 4),
                number(Some(octave.mtie_s * 1e3), 4),
                rate(Some(octave.allan)),
                rate(octave.modified_allan),
            ],
        );
    }
    page.push_str("</tbody></table></div></details>\n");
}

/// How far an event is to be distrusted: first those without a place, then the ones known least.
fn distrust(row: &EventRow) -> (u8, f64) {
    let kind = match row.status {
        Status::Unplaced => 3,
        Status::Outside => 2,
        Status::InGap => 1,
        Status::Placed => 0,
    };
    (kind, row.u95_ms.unwrap_or(f64::INFINITY))
}

/// The events, those to distrust first.
pub(super) fn events(page: &mut String, aligned: &Aligned, captured: &Captured<'_>) {
    let rows = &aligned.events.rows;
    if rows.is_empty() {
        return;
    }
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|&a, &b| {
        let (a, b) = (distrust(&rows[a]), distrust(&rows[b]));
        b.0.cmp(&a.0).then(b.1.total_cmp(&a.1))
    });
    let origin_ns = captured.packets.host_ns().first().copied().unwrap_or(0);
    page.push_str("<h2>Events</h2>\n");
    let _ = writeln!(
        page,
        "<p class=\"soft\">Those to distrust first: without a place, outside, in gaps, then the largest u95.{}</p>",
        if rows.len() > MOST_EVENTS {
            format!(" {MOST_EVENTS} of {}; all are in events.tsv.", rows.len())
        } else {
            String::new()
        }
    );
    page.push_str("<div class=\"wide tall\">");
    begin(
        page,
        "sortable",
        &[
            "label",
            "number",
            "status",
            "u95, ms",
            "what limits it",
            "onset, s",
            "sample",
            "segment",
            "phone, s",
            "live − replayed, ms",
            "live u95, ms",
        ],
    );
    for &place in order.iter().take(MOST_EVENTS) {
        let event = &rows[place];
        let largest = aligned.budgets[place].map(|budget| {
            let lines = shares_ms(&budget, 1.0);
            let largest = (0..lines.len()).max_by(|&a, &b| lines[a].total_cmp(&lines[b])).unwrap_or(0);
            CAUSES[largest]
        });
        let live_ms = event.live_onset_s.zip(event.onset_s).map(|(live_s, onset_s)| (live_s - onset_s) * 1e3);
        let host_s = (i128::from(event.host_ns) - i128::from(origin_ns)) as f64 / 1e9;
        row(
            page,
            &[
                event.label.clone(),
                (place + 1).to_string(),
                event.status.as_str().to_owned(),
                number(event.u95_ms, 3),
                largest.unwrap_or("–").to_owned(),
                number(event.onset_s, 4),
                number(event.sample, 2),
                event.segment.map_or_else(|| "–".to_owned(), |segment| segment.to_string()),
                number(Some(host_s), 3),
                number(live_ms, 3),
                number(event.live_u95_ms, 3),
            ],
        );
    }
    page.push_str("</tbody></table></div>\n");
}

/// How each line of the budget comes about: words, the GUM's type of evaluation, and the distribution that it is reckoned with.
const LINES: [(&str, &str, &str); 7] = [
    (
        "what the scatter of delays, exchanges and markers leaves open of the clock",
        "A",
        "bounds, 95 % of a rectangle",
    ),
    ("what the link's grid leaves open, one that does not show included", "B", "bounds, 95 % of a rectangle"),
    (
        "what the crystal may wander between the moments at which the clock is seen",
        "B",
        "bounds, 95 % of a rectangle",
    ),
    ("what the age of the last packets adds (ITU-T G.810)", "B", "bounds, added in full"),
    ("the smallest time from a packet's first sample to its stamp", "B", "normal, 1.96 u"),
    ("steps of the phone's stamps and of the headset's counter", "B", "rectangle, its half-width"),
    ("from the event's stamp to the physical event", "B", "normal, 1.96 u"),
];

/// The uncertainty budget, as the GUM lists it.
pub(super) fn budget(page: &mut String, aligned: &Aligned) {
    let mut worst: Option<(usize, f64)> = None;
    for (place, row) in aligned.events.rows.iter().enumerate() {
        if let Some(u95_ms) = row.u95_ms.filter(|_| row.status == Status::Placed)
            && worst.is_none_or(|(_, most_ms)| u95_ms > most_ms)
        {
            worst = Some((place, u95_ms));
        }
    }
    let Some((worst, worst_ms)) = worst else { return };
    let Some(of_worst) = aligned.budgets[worst] else { return };
    page.push_str("<h2>Uncertainty budget</h2>\n<div class=\"wide\">");
    begin(
        page,
        "",
        &["cause", "", "type", "reckoned as", "median event, ms", "worst event, ms", "its share of u95², %"],
    );
    let squares = shares_ms(&of_worst, 100.0);
    for (cause, (words, kind, distribution)) in LINES.iter().enumerate() {
        let budgets = aligned.budgets.iter().flatten();
        let line = median(budgets.map(|budget| lines_ms(budget)[cause]).collect());
        let _ = write!(
            page,
            "<tr><td class=\"left\">{}</td><td class=\"wrap\">{}</td><td>{kind}</td><td class=\"left\">{}</td>",
            CAUSES[cause],
            escape(words),
            escape(distribution)
        );
        for cell in
            [number(line, 4), number(Some(lines_ms(&of_worst)[cause]), 4), number(Some(squares[cause]), 1)]
        {
            let _ = write!(page, "<td>{cell}</td>");
        }
        page.push_str("</tr>");
    }
    let mut placed: Vec<f64> = aligned
        .events
        .rows
        .iter()
        .filter(|row| row.status == Status::Placed)
        .filter_map(|row| row.u95_ms)
        .collect();
    placed.sort_by(f64::total_cmp);
    let _ = writeln!(
        page,
        "<tr><td class=\"left\"><b>u95</b></td><td class=\"wrap\">half-width of the 95 % interval</td><td></td><td></td><td><b>{}</b></td>\
         <td><b>{}</b></td><td>100</td></tr></tbody></table></div>",
        number(of_sorted(&placed, 0.5), 4),
        number(Some(worst_ms), 4)
    );
    let _ = writeln!(
        page,
        "<p class=\"soft\">All as half-widths in ms of the event's onset (sensitivity 1). The first four are bounds of one clock and add; the \
         others are independent and add in quadrature (GUM, JCGM 100:2008, 5.1.2). Medians are of each line on its own and need not add up. Worst \
         event: number {}, {}{}.</p>",
        worst + 1,
        escape(&aligned.events.rows[worst].label),
        if aligned.events.rows[worst].excludes_fixed_delay {
            ". The fixed delay is unknown and is not in any interval"
        } else {
            ""
        }
    );
}

/// All sentences.
pub(super) fn findings(page: &mut String, findings: &[Finding], alignment: &Alignment) {
    page.push_str("<h2>What was found</h2>\n<dl>");
    for finding in findings {
        let _ = write!(page, "<dt>{}</dt><dd>{}</dd>", finding.heading, escape(&finding.sentence));
    }
    for note in &alignment.notes {
        let _ = write!(page, "<dt>Note</dt><dd>{}</dd>", escape(note));
    }
    page.push_str("</dl>\n");
    let Some(errors) = &alignment.error_against_truth else { return };
    page.push_str("<h3>Against the truth, which the estimator did not see</h3>\n<div class=\"wide\">");
    begin(page, "", &["error, ms", "median", "95 %", "99 %", "largest", "interval held"]);
    for (words, sizes, held) in [
        ("replayed", Some(&errors.placement), Some(errors.interval_held_share)),
        ("live, one second after", errors.live.as_ref(), errors.live_interval_held_share),
        ("newest arrival's stamp", errors.arrival_stamp.as_ref(), None),
        ("least squares, all packets", errors.least_squares.as_ref(), None),
    ] {
        let Some(sizes) = sizes else { continue };
        let mut cells = vec![words.to_owned()];
        cells.extend(
            [sizes.median_ms, sizes.p95_ms, sizes.p99_ms, sizes.largest_ms].map(|ms| number(Some(ms), 3)),
        );
        cells.push(held.map_or_else(|| "–".to_owned(), |share| format!("{:.1} %", 100.0 * share)));
        row(page, &cells);
    }
    page.push_str("</tbody></table></div>\n");
}

/// What it takes to get the same again.
pub(super) fn how_to_repeat(page: &mut String, alignment: &Alignment, criteria: &Criteria) {
    let own = *criteria != Criteria::default();
    let _ = writeln!(
        page,
        "<h2>How to get the same again</h2>\n<p>tickseam {}, numerics revision {}: equal revisions give equal numbers, bit for bit, for these \
         files.</p><div class=\"wide\">",
        escape(&alignment.tickseam),
        alignment.numerics_revision
    );
    begin(page, "", &["file", "bytes", "SHA-256"]);
    for input in &alignment.inputs {
        let _ = write!(
            page,
            "<tr><td class=\"left\">{}</td><td>{}</td><td class=\"left\"><code>{}</code></td></tr>",
            escape(&input.file),
            input.bytes,
            escape(&input.sha256)
        );
    }
    let _ = writeln!(
        page,
        "</tbody></table></div>\n<pre>tickseam replay FOLDER{}</pre>",
        if own { " --criteria FILE.toml" } else { "" }
    );
    if own {
        page.push_str("<details><summary>The criteria</summary><div class=\"wide\">");
        begin(
            page,
            "",
            &["component", "sd, ms", "amplitude left", "latency off by, ms", "difference off by, ms"],
        );
        for component in &criteria.components {
            row(
                page,
                &[
                    component.name.clone(),
                    plain(component.sd_ms),
                    plain(component.amplitude_left),
                    plain(component.latency_shift_ms),
                    plain(component.latency_difference_ms),
                ],
            );
        }
        let _ = writeln!(
            page,
            "</tbody></table></div><p>Least share of a label's events placed: {}</p></details>",
            plain(criteria.placed_share)
        );
    } else {
        let _ = writeln!(
            page,
            "<details><summary>The criteria, as they are built in</summary><pre>{}</pre></details>",
            escape(DEFAULT)
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_place_comes_before_what_is_known_badly() {
        let event = |status, u95_ms| EventRow {
            onset_s: None,
            duration_s: None,
            label: String::new(),
            sample: None,
            host_ns: 0,
            segment: None,
            u95_ms,
            status,
            live_onset_s: None,
            live_u95_ms: None,
            further_samples: Vec::new(),
            excludes_fixed_delay: false,
        };
        let rows = [
            event(Status::Unplaced, None),
            event(Status::Outside, Some(0.5)),
            event(Status::InGap, Some(0.1)),
            event(Status::Placed, Some(9.0)),
            event(Status::Placed, Some(0.2)),
        ];
        for pair in rows.windows(2) {
            assert!(distrust(&pair[0]) > distrust(&pair[1]));
        }
    }
}
