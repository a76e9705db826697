//! What all pages share: one style, light and dark, for screen and paper; nothing fetched.

/// Style of a page. Charts take their colours from its variables, so that they follow light and dark: `--c0` to `--c5` are kept apart by
/// most kinds of colour vision, and no figure rests on colour alone.
const STYLE: &str = "\
:root{color-scheme:light dark;--paper:#fff;--ink:#1c2430;--soft:#59636f;--line:#d4d9df;--c0:#0072b2;--c1:#b84a00;--c2:#00795a;\
--c3:#a8437f;--c4:#6a5acd;--c5:#555}\
@media(prefers-color-scheme:dark){:root{--paper:#14181d;--ink:#e6e9ec;--soft:#a3adb8;--line:#38414b;--c0:#56b4e9;--c1:#f0a050;\
--c2:#3fc79a;--c3:#e79bc6;--c4:#b3a8ff;--c5:#bbb}}\
*{box-sizing:border-box}\
body{margin:0 auto;max-width:64rem;padding:1rem;background:var(--paper);color:var(--ink);font:1rem/1.5 system-ui,sans-serif;\
overflow-wrap:break-word}\
h1{font-size:1.5rem;margin:.5rem 0}h2{font-size:1.15rem;margin:2rem 0 .5rem}h3{font-size:1rem;margin:1rem 0 .25rem}\
p{max-width:46rem;margin:.5rem 0}small,.soft,figcaption{color:var(--soft)}\
.take{border-left:4px solid var(--c0);padding:.25rem 0 .25rem .75rem}\
.maps{display:flex;flex-wrap:wrap;gap:0 2rem}.maps figure{min-width:0;max-width:100%}.wide{overflow-x:auto;margin:.5rem 0}.wide svg{display:block}figure{margin:1rem 0}figcaption{font-size:.9rem;max-width:46rem}\
svg text{fill:var(--ink);font:13px system-ui,sans-serif}svg .axis{fill:var(--soft)}svg .grid{stroke:var(--line)}\
table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.85rem}\
th,td{padding:.2rem .5rem;text-align:right;border-bottom:1px solid var(--line);white-space:nowrap}\
th{color:var(--soft);font-weight:600}tr.chosen td{font-weight:700}\
ul{padding-left:1.1rem;margin:.25rem 0}.key{display:flex;flex-wrap:wrap;gap:.25rem 1.25rem;font-size:.9rem}\
.key span{display:inline-flex;align-items:center;gap:.4rem}";

/// Text made safe inside a page.
pub(crate) fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// The beginning of a page, up to its first heading. Its policy forbids the browser to fetch anything, whatever stands in the page.
pub(crate) fn begin(title: &str, heading: &str, own_style: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'; \
         script-src 'unsafe-inline'\">\
         <title>{}</title><style>{STYLE}{own_style}</style></head><body>\n<h1>{}</h1>\n",
        escape(title),
        escape(heading)
    )
}
