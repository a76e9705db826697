//! Opens the pages that the command writes in a real browser, and asks it whether anything overflows or is fetched.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{Done, cargo, root, run, target_dir};

/// Widths of a desktop's and of a phone's window, px.
const WIDTHS: [u32; 2] = [1280, 390];

/// Put first into a copy of a page: notes what the page's own policy kept it from fetching.
const WATCH: &str = "<script>const fetched=[];addEventListener('securitypolicyviolation',event=>fetched.push(event.blockedURI))</script>";

/// Put last: what is fetched, and what sticks out of the window without a box of its own that scrolls, is told to the page around.
const ASK: &str = "<script>addEventListener('load',()=>setTimeout(()=>{\
for(const entry of performance.getEntriesByType('resource'))if(!entry.name.startsWith('data:'))fetched.push(entry.name);\
const scrolls=element=>{for(let at=element;at&&at!==document.body;at=at.parentElement)\
if(['auto','scroll','hidden'].includes(getComputedStyle(at).overflowX))return true;return false};\
const out=[...document.body.querySelectorAll('*')].filter(element=>{const box=element.getBoundingClientRect();\
return box.width>0&&(box.right>document.documentElement.clientWidth+1||box.left< -1)&&!scrolls(element)}).map(element=>element.tagName);\
if(document.documentElement.scrollWidth>document.documentElement.clientWidth)out.push('page');\
parent.postMessage('asked at '+innerWidth+' overflow ['+out.slice(0,9)+'] fetched ['+fetched+']','*')},50))</script>";

pub(crate) fn run_all() -> Done {
    let out = target_dir().join("page-check");
    if out.exists() {
        std::fs::remove_dir_all(&out).map_err(|error| format!("{}: {error}", out.display()))?;
    }
    std::fs::create_dir_all(&out).map_err(|error| format!("{}: {error}", out.display()))?;
    run(cargo().args(["build", "--release", "--locked", "--quiet", "-p", "tickseam-cli"]))?;
    let pages = pages(&out)?;
    for page in &pages {
        for width in WIDTHS {
            let said = asked(page, &out, width, "")?;
            let expected = format!("asked at {width} overflow [] fetched []");
            if said != expected {
                return Err(format!("{} at {width} px: the browser says {said:?}", page.display()));
            }
        }
    }
    // What is asked has to notice what it is there for.
    for (planted, noticed) in [
        ("<div style=\"width:3000px\">wide</div>", "overflow [DIV,page]"),
        ("<img src=\"http://192.0.2.1/far.png\" alt=\"\">", "fetched [http://192.0.2.1/far.png"),
    ] {
        let said = asked(&pages[0], &out, WIDTHS[0], planted)?;
        if !said.contains(noticed) {
            return Err(format!("planted {planted} was not noticed: the browser says {said:?}"));
        }
    }
    println!(
        "{} pages at {WIDTHS:?} px: nothing overflows, nothing is fetched; both planted faults were noticed",
        pages.len()
    );
    Ok(())
}

/// Pages of the built-in demonstration, of a scenario with everything that can go wrong, of one without events, and of a sweep.
fn pages(out: &Path) -> Result<Vec<PathBuf>, String> {
    let command = || Command::new(target_dir().join("release/tickseam"));
    let mut pages = Vec::new();
    let mut aligned = |name: &str, scenario: Option<PathBuf>| -> Done {
        let results = out.join(format!("{name}-aligned"));
        let mut replay = command();
        replay.arg("replay");
        if let Some(scenario) = scenario {
            let folder = out.join(name);
            run(command().arg("simulate").arg(scenario).arg("--out").arg(&folder))?;
            replay.arg(folder);
        }
        run(replay.arg("--out").arg(&results))?;
        pages.push(results.join("report.html"));
        Ok(())
    };
    aligned("demonstration", None)?;
    for name in ["every-fault", "two-packets"] {
        aligned(name, Some(root().join(format!("tests/scenarios/page-{name}.toml"))))?;
    }
    let plan = out.join("plan.toml");
    std::fs::write(
        &plan,
        "samples_per_packet = [5, 10]\ninterval_ms = [15, 20, 30]\nsession_s = 120\nseeds = 2\n",
    )
    .map_err(|error| format!("{}: {error}", plan.display()))?;
    let page = out.join("schedule.html");
    run(command().arg("schedule").arg(plan).arg("--out").arg(&page))?;
    pages.push(page);
    Ok(pages)
}

/// What the browser says of a page with something planted in it.
fn asked(page: &Path, out: &Path, width: u32, planted: &str) -> Result<String, String> {
    let text = std::fs::read_to_string(page).map_err(|error| format!("{}: {error}", page.display()))?;
    let copy = text.replacen("<title>", &format!("{WATCH}<title>"), 1);
    let copy = copy.replacen("</body>", &format!("{planted}{ASK}</body>"), 1);
    // A window of the browser may not be as narrow as a phone's; a frame inside it may.
    let frame = format!(
        "<!DOCTYPE html><title>nothing came</title><script>addEventListener('message',event=>document.title=event.data)</script>\
         <iframe src=\"asked.html\" width=\"{width}\" height=\"900\" style=\"border:0\"></iframe>"
    );
    let path = out.join("frame.html");
    for (path, text) in [(&out.join("asked.html"), &copy), (&path, &frame)] {
        std::fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    let profile = out.join("profile");
    let browser = std::env::var_os("CHROMIUM").unwrap_or_else(|| "chromium".into());
    let said = Command::new(&browser)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--hide-scrollbars", "--virtual-time-budget=5000", "--dump-dom"])
        .arg(format!("--window-size={},1000", width.max(600) + 40))
        .arg(format!("--user-data-dir={}", profile.display()))
        .arg(format!("file://{}", path.display()))
        .output()
        .map_err(|error| format!("{}: {error}", browser.to_string_lossy()))?;
    let _ = std::fs::remove_dir_all(&profile);
    let dom = String::from_utf8_lossy(&said.stdout);
    let title = dom.split_once("<title>").and_then(|(_, rest)| rest.split_once("</title>"));
    title.map(|(title, _)| title.to_owned()).ok_or_else(|| {
        format!(
            "{}: no page came out of the browser: {}",
            page.display(),
            String::from_utf8_lossy(&said.stderr)
        )
    })
}
