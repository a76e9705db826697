//! The table as one page: no script, nothing fetched, light and dark, for screen, phone and paper.

use std::fmt::Write as _;

use super::table::{Outcome, Row, length, ms, placed_percent};
use crate::NUMERICS_REVISION;
use crate::page::{begin, escape};
use crate::summary::duration;

/// What this page adds: names to the left, and on a phone each recording as a card.
const OWN_STYLE: &str = "\
body{max-width:76rem}\
.all{width:100%}.all th:first-child,.all td:first-child{text-align:left;white-space:normal;min-width:9rem;overflow-wrap:anywhere}\
.all .words{text-align:left;white-space:normal}.all tr.failed td{color:var(--c1);text-align:left;white-space:normal}\
.all thead th{vertical-align:bottom}.all svg{display:block}a{color:var(--c0)}\
@media(max-width:44rem){.all thead{display:none}.all,.all tbody{display:block}\
.all tr{display:grid;grid-template-columns:1fr 1fr;gap:0 1rem;padding:.5rem 0;border-bottom:1px solid var(--line)}\
.all td{display:flex;justify-content:space-between;gap:.5rem;border:0;padding:.1rem 0}\
.all td::before{content:attr(data-name);color:var(--soft)}\
.all td:first-child,.all td.wide-cell{grid-column:1/-1}.all td:first-child{display:block;font-weight:600}.all td:first-child::before,.all tr.failed td::before{content:none}\
.all tr{grid-auto-flow:dense}}\
@media print{body{max-width:none;padding:0;font-size:.75rem}.all{font-size:.65rem}.all tr{break-inside:avoid}.wide{overflow:visible}a{color:inherit}}";

/// The scale of the intervals, px wide.
const WIDE: f64 = 110.0;

/// The whole page. `link` names the file of a recording's results that a reader goes on to, if there is any.
pub fn page(rows: &[Row], link: &dyn Fn(&Row) -> Option<&'static str>) -> String {
    let mut page = begin("Recordings", "Recordings", OWN_STYLE);
    let failed = rows.iter().filter(|row| row.status == Outcome::Failed).count();
    let total_s: f64 = rows.iter().filter_map(|row| row.duration_s).sum();
    let sum = |of: fn(&Row) -> Option<u64>| rows.iter().filter_map(of).sum::<u64>();
    let (events, placed) = (sum(|row| row.events), sum(|row| row.events_placed));
    let _ = writeln!(
        page,
        "<p>{} recordings, {} aligned, {failed} failed; {} in all; {placed} of {events} events placed.</p>\n\
         <p class=\"soft\">Columns with all digits: <a href=\"recordings.csv\">recordings.csv</a>. tickseam {}, numerics revision \
         {NUMERICS_REVISION}.</p>",
        rows.len(),
        rows.len() - failed,
        duration(total_s),
        env!("CARGO_PKG_VERSION"),
    );
    let scale = Scale::of(rows);
    let held = rows.iter().any(|row| row.interval_held_share.is_some());
    let range = scale.map_or_else(String::new, |scale| {
        format!("<br><small>{} to {} ms</small>", short(scale.from_ms), short(scale.to_ms))
    });
    let _ = writeln!(
        page,
        "<div class=\"wide\"><table class=\"all\"><thead><tr><th>recording</th><th>length</th><th>events</th><th>placed<br>%</th>\
         <th>u95, median<br>ms</th><th>u95, worst<br>ms</th><th>median to worst{range}</th><th>drift<br>ppm</th><th>lost<br>%</th>\
         <th class=\"words\">fit for</th><th class=\"words\">limited by</th><th class=\"words\">link</th>{}</tr></thead><tbody>",
        if held { "<th>held<br>%</th>" } else { "" }
    );
    for row in rows {
        line(&mut page, row, link(row), scale, held);
    }
    page.push_str("</tbody></table></div>\n");
    notes(&mut page, rows, held);
    page.push_str("</body></html>\n");
    page
}

fn line(page: &mut String, row: &Row, link: Option<&'static str>, scale: Option<Scale>, held: bool) {
    let name = escape(&row.recording);
    if row.status == Outcome::Failed {
        let message = escape(row.message.as_deref().unwrap_or(""));
        let _ = writeln!(
            page,
            "<tr class=\"failed\"><td>{name}</td><td class=\"wide-cell\" colspan=\"{}\">failed: {message}</td></tr>",
            if held { 12 } else { 11 }
        );
        return;
    }
    let named = match link {
        Some(file) => format!("<a href=\"{}/{file}\">{name}</a>", address(&row.recording)),
        None => name,
    };
    let mark = if row.fixed_delay_known == Some(false) { " *" } else { "" };
    let sent = row.packets_received.unwrap_or(0) + row.packets_missing.unwrap_or(0);
    let lost = row.packets_missing.filter(|_| sent > 0).map(|missing| missing as f64 / sent as f64 * 100.0);
    let words = |text: &Option<String>| escape(text.as_deref().unwrap_or("-"));
    let _ = write!(
        page,
        "<tr><td>{named}{mark}</td><td data-name=\"length\">{}</td><td data-name=\"events\">{}</td>\
         <td data-name=\"placed, %\">{}</td><td data-name=\"u95, median, ms\">{}</td><td data-name=\"u95, worst, ms\">{}</td>\
         <td class=\"wide-cell\" data-name=\"median to worst\">{}</td><td data-name=\"drift, ppm\">{}</td>\
         <td data-name=\"lost, %\">{}</td><td class=\"words\" data-name=\"fit for\">{}</td>\
         <td class=\"words\" data-name=\"limited by\">{}</td>\
         <td class=\"words wide-cell\" data-name=\"link\">{}</td>",
        length(row.duration_s),
        row.events.unwrap_or(0),
        placed_percent(row),
        ms(row.u95_median_ms),
        ms(row.u95_largest_ms),
        scale.map_or_else(String::new, |scale| scale.bar(row)),
        row.drift_ppm.map_or_else(|| "-".to_owned(), |ppm| format!("{ppm:+.2}")),
        lost.map_or_else(|| "-".to_owned(), |lost| format!("{lost:.2}")),
        match row.fit_for.as_deref() {
            Some("") => "nothing".to_owned(),
            _ => words(&row.fit_for),
        },
        words(&row.limit),
        words(&row.link_kind),
    );
    if held {
        let share =
            row.interval_held_share.map_or_else(|| "-".to_owned(), |share| format!("{:.1}", share * 100.0));
        let _ = write!(page, "<td data-name=\"held, %\">{share}</td>");
    }
    page.push_str("</tr>\n");
}

fn notes(page: &mut String, rows: &[Row], held: bool) {
    page.push_str(
        "<h2>How to read this</h2>\n<ul><li><b>u95</b>: half-width of the 95 % interval of an event's place on the sample timeline.</li>\n\
         <li><b>placed</b>: share of the events where samples were received.</li>\n\
         <li><b>drift</b>: positive where the headset's clock runs fast against the phone's.</li>\n\
         <li><b>limited by</b>: the largest part of most events' uncertainty: scatter of the delays, the link's grid, wander of the crystal, \
         holdover (age of the packets), the fixed delay, steps of the stamps, latency of the labels.</li>\n",
    );
    if held {
        page.push_str(
            "<li><b>held</b>: how often the interval held the truth, where a simulation knows it.</li>\n",
        );
    }
    if rows.iter().any(|row| row.fixed_delay_known == Some(false)) {
        page.push_str(
            "<li><b>*</b>: nobody knows the fixed delay: every onset is early by it, and no u95 counts it; a truth does.</li>\n",
        );
    }
    page.push_str("</ul>\n");
}

/// One logarithmic scale for all intervals, so that rows compare.
#[derive(Clone, Copy, Debug)]
struct Scale {
    from_ms: f64,
    to_ms: f64,
}

impl Scale {
    /// Whole decades around what there is.
    fn of(rows: &[Row]) -> Option<Self> {
        let all = || {
            rows.iter()
                .flat_map(|row| [row.u95_median_ms, row.u95_largest_ms])
                .flatten()
                .filter(|ms| *ms > 0.0)
        };
        let (least, most) = (all().reduce(f64::min)?, all().reduce(f64::max)?);
        let from = least.log10().floor();
        let to = most.log10().ceil().max(from + 1.0);
        Some(Self { from_ms: 10_f64.powf(from), to_ms: 10_f64.powf(to) })
    }

    fn px(self, ms: f64) -> f64 {
        let share = (ms / self.from_ms).ln() / (self.to_ms / self.from_ms).ln();
        4.0 + share.clamp(0.0, 1.0) * (WIDE - 8.0)
    }

    /// A dot at the median, a line to the worst; the numbers stand beside it.
    fn bar(self, row: &Row) -> String {
        let Some((median, worst)) = row.u95_median_ms.zip(row.u95_largest_ms) else { return String::new() };
        let decades = (self.to_ms / self.from_ms).log10().round() as u32;
        let mut ticks = String::new();
        for decade in 0..=decades {
            let at = self.px(self.from_ms * 10_f64.powi(i32::try_from(decade).unwrap_or(0)));
            let _ = write!(ticks, "<line class=\"grid\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"1\" y2=\"13\"/>");
        }
        let (from, to) = (self.px(median), self.px(worst));
        format!(
            "<svg width=\"{WIDE}\" height=\"14\" viewBox=\"0 0 {WIDE} 14\" aria-hidden=\"true\">{ticks}\
             <line x1=\"{from:.1}\" x2=\"{to:.1}\" y1=\"7\" y2=\"7\" stroke=\"var(--c0)\" stroke-width=\"3\"/>\
             <circle cx=\"{from:.1}\" cy=\"7\" r=\"3.5\" fill=\"var(--c0)\"/></svg>"
        )
    }
}

/// A decade without needless zeros.
fn short(ms: f64) -> String {
    let text = format!("{ms:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A path as an address relative to the page (RFC 3986, section 2): all but letters, digits, `-._~` and `/` as octets.
fn address(path: &str) -> String {
    let mut address = String::new();
    for byte in path.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            address.push(char::from(byte));
        } else {
            let _ = write!(address, "%{byte:02X}");
        }
    }
    address
}

#[cfg(test)]
mod tests;
