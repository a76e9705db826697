//! The report of a replay: one page that holds everything, fetches nothing, and can be read without a script.
//!
//! `traces → figures, tables → page`, one direction. A page is drawn from what was aligned, never from the files that were written.

mod chart;
mod figures;
mod tables;
mod traces;

use std::fmt::Write as _;

use tickseam_record::Alignment;

use self::figures::Clock;
use self::traces::Traces;
use crate::align::{Aligned, Captured};
use crate::page::{self, escape};
use crate::stability::{evenly_spaced, octaves};
use crate::summary::{Finding, duration, milliseconds};
use crate::verdict::criteria::Criteria;

/// Beyond the shared style.
const OWN_STYLE: &str = "\
.verdict{font-size:1.15rem;border-left:5px solid var(--c0);padding:.25rem 0 .25rem .8rem;max-width:50rem}\
.facts{display:grid;grid-template-columns:repeat(auto-fit,minmax(8.5rem,1fr));gap:.5rem 1rem;margin:1rem 0}.facts b{display:block;font-size:1.35rem;\
font-variant-numeric:tabular-nums}dl{max-width:50rem}dt{font-weight:600;margin-top:.5rem}dd{margin:0}\
.left,th.left,td.left{text-align:left}td.left{white-space:normal;overflow-wrap:anywhere;min-width:5rem;max-width:16rem}td.wrap{white-space:normal;min-width:14rem;text-align:left}pre{overflow-x:auto;font-size:.8rem}\
th{white-space:normal;vertical-align:bottom}th button{all:unset;cursor:pointer;font-weight:600}th button:focus-visible{outline:2px solid var(--c0)}\
.tall{max-height:32rem;overflow:auto}code{overflow-wrap:anywhere}\
@media print{body{max-width:none;font-size:10pt}.wide{overflow:visible}.wide svg{width:100%;height:auto}.tall{max-height:none;\
overflow:visible}figure,tr{break-inside:avoid}h2,h3{break-after:avoid}table{font-size:7.5pt}th,td{white-space:normal}}";

/// Sorts the table of events by a column when its heading is pressed. The page says all without it.
const SCRIPT: &str = "\
for(const table of document.querySelectorAll('table.sortable')){const body=table.tBodies[0];\
[...table.tHead.rows[0].cells].forEach((cell,column)=>{const button=document.createElement('button');button.type='button';\
button.textContent=cell.textContent;cell.textContent='';cell.append(button);let down=false;\
button.addEventListener('click',()=>{down=!down;const value=row=>{const text=row.cells[column].textContent;\
const number=parseFloat(text.replace('\\u2212','-'));return Number.isNaN(number)?text:number};\
const rows=[...body.rows].sort((a,b)=>{const[x,y]=[value(a),value(b)];\
const order=typeof x===typeof y?(x<y?-1:x>y?1:0):typeof x==='number'?-1:1;return down?order:-order});\
body.append(...rows);for(const other of table.tHead.rows[0].cells)other.removeAttribute('aria-sort');\
cell.setAttribute('aria-sort',down?'ascending':'descending')})})}";

/// What a report is made from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reported<'a> {
    /// What the recording is called.
    pub(crate) title: &'a str,
    /// What was found.
    pub(crate) aligned: &'a Aligned,
    /// The recording.
    pub(crate) captured: &'a Captured<'a>,
    /// The same as it is written.
    pub(crate) alignment: &'a Alignment,
    /// Its sentences.
    pub(crate) findings: &'a [Finding],
    /// What it was judged by.
    pub(crate) criteria: &'a Criteria,
}

/// The whole page.
pub(crate) fn write(reported: &Reported<'_>) -> String {
    let Reported { title, aligned, captured, alignment, findings, criteria } = *reported;
    let traces = Traces::of(aligned, captured);
    let clock = Clock::for_span(traces.end_s);
    let mut page = page::begin(&format!("{title}: alignment"), title, OWN_STYLE);
    answer(&mut page, reported);
    tables::conditions(&mut page, alignment.verdict.as_ref(), criteria);
    page.push_str(&figures::delays(&traces, clock));
    let tolerance_ppm = captured.description.device_clock.tolerance_ppm;
    page.push_str(&figures::drift(&traces, clock, tolerance_ppm));
    page.push_str(&figures::uncertainty(&traces, clock));
    page.push_str(&figures::histograms(&traces));
    let names: Vec<String> = captured.description.streams.iter().map(|stream| stream.name.clone()).collect();
    let _ = writeln!(page, "<h2>Gaps</h2>\n<figure>{}</figure>", figures::gaps(&traces, clock, &names));
    tables::gaps(&mut page, aligned);
    steadiness(&mut page, aligned, &traces);
    tables::events(&mut page, aligned, captured);
    tables::budget(&mut page, aligned);
    tables::findings(&mut page, findings, alignment);
    tables::how_to_repeat(&mut page, alignment, criteria);
    let _ = writeln!(
        page,
        "<p class=\"soft\">Not a medical device. Latencies and amplitudes are read by qualified people, under the rules that hold where the study \
         runs.</p>\n<script>{SCRIPT}</script></body></html>"
    );
    page
}

fn answer(page: &mut String, reported: &Reported<'_>) {
    let Reported { aligned, alignment, findings, .. } = *reported;
    let verdict = match &alignment.verdict {
        Some(verdict) => verdict.sentence.clone(),
        None => "The recording has no events, so there is nothing to judge.".to_owned(),
    };
    let limit = findings.iter().find(|finding| finding.heading == "Limit");
    let _ = writeln!(
        page,
        "<p class=\"verdict\">{} {}</p>",
        escape(&verdict),
        escape(&limit.map_or_else(String::new, |finding| capital(&finding.sentence)))
    );
    let counts = &aligned.counts;
    let ms = |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |ms| format!("±{}", milliseconds(ms)));
    let share = if counts.total == 0 {
        "–".to_owned()
    } else {
        format!("{:.1} %", 100.0 * counts.placed as f64 / counts.total as f64)
    };
    let missing: u64 = aligned.streams.iter().map(|stream| stream.samples_missing).sum();
    page.push_str("<div class=\"facts\">");
    for (value, words) in [
        (ms(counts.u95_median_ms), "typical u95"),
        (ms(counts.u95_largest_ms), "worst u95"),
        (share, "of the events placed"),
        (duration(aligned.duration_s), "recorded"),
        (
            aligned.segments.len().to_string(),
            if aligned.segments.len() == 1 { "segment" } else { "segments" },
        ),
        (missing.to_string(), "samples missing"),
    ] {
        let _ = write!(page, "<div><b>{}</b>{words}</div>", escape(&value));
    }
    page.push_str("</div>\n");
}

fn capital(sentence: &str) -> String {
    let mut characters = sentence.chars();
    characters.next().map_or_else(String::new, |first| first.to_uppercase().chain(characters).collect())
}

/// Points of the clock that the measures are taken from, at most: they cost as N log N.
const MOST_STEADY_POINTS: f64 = 20_000.0;

fn steadiness(page: &mut String, aligned: &Aligned, traces: &Traces) {
    page.push_str("<h2>Packet delay variation, and how steady the clock is</h2>\n");
    tables::variation(page, traces);
    let longest = traces.traces.iter().max_by(|a, b| {
        let span = |trace: &traces::Trace| {
            trace.points.last().map_or(0.0, |last| last.device_s - trace.points[0].device_s)
        };
        span(a).total_cmp(&span(b))
    });
    let Some(longest) = longest.filter(|trace| trace.points.len() > 2) else { return };
    let knots = || longest.points.iter().map(|point| (point.device_s, point.envelope_us));
    let span_s = longest.points[longest.points.len() - 1].device_s - longest.points[0].device_s;
    let step_s = (span_s / (longest.points.len() - 1) as f64).max(span_s / MOST_STEADY_POINTS);
    // A straight line taken off: what is left is the clock's wander, and a constant drift is told elsewhere.
    let mut sums = tickseam::line::LineAccumulator::new();
    if knots().try_for_each(|(x, y)| sums.add(x, y, 1.0)).is_err() {
        return;
    }
    let Ok(line) = sums.fit() else { return };
    let residual = knots().map(|(x, y)| (x, y - line.predict(x).value));
    let Some(even) = evenly_spaced(residual, step_s) else { return };
    let octaves = octaves(&even.x_s, even.tau0_s);
    if octaves.is_empty() {
        return;
    }
    page.push_str(&figures::stability(&octaves));
    tables::stability(page, &octaves);
    let _ = writeln!(
        page,
        "<p class=\"soft\">Of the estimated clock less a straight line (ITU-T G.810), in the longest stretch without restart{}. The estimate \
         smooths: at intervals shorter than it looks over, these say how steady the estimate is, not the crystal.</p>",
        if aligned.segments.len() > 1 { format!(" (segment {})", longest.segment) } else { String::new() }
    );
}
