//! The ways in which a capture is cut.

use super::{Capture, Cut, Delay, Random, Sighted};
use crate::interval_ms;

/// Lengths of pieces, s: the captures last 100 to 300 s.
const LENGTHS_S: [f64; 4] = [30.0, 60.0, 120.0, 200.0];

/// All cuts of a capture: pieces begin at `starts` places, chance is drawn `seeds` times.
pub(super) fn all(capture: &Capture, starts: usize, seeds: u64) -> Vec<Cut<'_>> {
    let whole = Cut::whole(capture);
    let rows = capture.rows.len();
    let mut cuts = vec![whole.piece(0, rows).named("whole", String::new())];
    for piece in pieces(&whole, starts) {
        cuts.push(piece.clone().named("pieces", String::new()));
        cuts.push(
            Cut { delay: Delay::LeastOfCapture, ..piece }.named("pieces, capture's delay", String::new()),
        );
    }
    // Everything else on the whole, and on halves that do not tell the same.
    let middle = rows / 2;
    let mut grounds = vec![whole.piece(0, rows)];
    if starts > 2 {
        grounds.extend([
            whole.piece(0, middle),
            whole.piece(middle, rows),
            whole.piece(rows / 4, rows * 3 / 4),
        ]);
    }
    for ground in &grounds {
        thinned(ground, &mut cuts);
        lossy(ground, seeds, &mut cuts);
        stamped_and_clocked(ground, &mut cuts);
        declared(ground, &mut cuts);
        packed(ground, &mut cuts);
        sighted(ground, seeds, &mut cuts);
    }
    cuts
}

fn pieces<'a>(whole: &Cut<'a>, starts: usize) -> Vec<Cut<'a>> {
    let rows = whole.rows.len();
    let mut pieces = Vec::new();
    for length in LENGTHS_S.map(|s| (s / whole.period_s) as usize) {
        let spare = rows.saturating_sub(length);
        if spare == 0 {
            continue;
        }
        for start in 0..starts {
            let from = if starts > 1 { spare * start / (starts - 1) } else { 0 };
            // Lost packets at the edges belong to no piece.
            let edge = |row: &super::Row| row.arrival_ns.is_some();
            let Some(from) = (from..rows - length + 1).find(|&at| edge(&whole.rows[at])) else { continue };
            let Some(to) = (1..=length).rev().map(|n| from + n).find(|&to| edge(&whole.rows[to - 1])) else {
                continue;
            };
            pieces.push(whole.piece(from, to));
        }
    }
    pieces
}

fn thinned<'a>(ground: &Cut<'a>, cuts: &mut Vec<Cut<'a>>) {
    for every in [2, 3, 5, 10] {
        for phase in [0, every / 2] {
            let what = format!("each {every}th from {phase}");
            cuts.push(ground.clone().slower(every, phase).named("slower device", what.clone()));
            let thin = ground.clone().without(|place| place % every != phase);
            cuts.push(thin.named("regular losses", what));
        }
    }
}

fn lossy<'a>(ground: &Cut<'a>, seeds: u64, cuts: &mut Vec<Cut<'a>>) {
    for seed in 1..=seeds {
        // Packets of each third period are locked where three periods are a multiple of the connection's interval.
        let mut random = Random::seeded(seed);
        let slower = ground.clone().slower(3, 0).without(|_| random.uniform() < 0.05);
        cuts.push(slower.named("slower device, random losses", format!("each 3rd, 5 % lost, seed {seed}")));
        for share in [0.01, 0.05, 0.1, 0.2, 0.3] {
            let mut random = Random::seeded(seed);
            let what = format!("{:.0} % lost, seed {seed}", share * 100.0);
            let lossy = ground.clone().without(|_| random.uniform() < share);
            cuts.push(lossy.named("random losses", what));
        }
        for (bursts, seconds) in [(3.0, 5.0), (1.0, 30.0), (10.0, 2.0)] {
            let mut random = Random::seeded(seed);
            let n = ground.rows.len() as f64;
            let length = seconds / ground.period_s;
            let begins: Vec<f64> = (0..bursts as usize).map(|_| random.uniform() * n).collect();
            let lost = |place: usize| begins.iter().any(|&at| (at..at + length).contains(&(place as f64)));
            let what = format!("{bursts} times {seconds} s lost, seed {seed}");
            cuts.push(ground.clone().without(lost).named("bursts lost", what));
        }
    }
}

fn stamped_and_clocked<'a>(ground: &Cut<'a>, cuts: &mut Vec<Cut<'a>>) {
    for (resolution_ns, what) in
        [(1e3, "1 us"), (1e5, "100 us"), (1e6, "1 ms"), (1e9 / 1_024.0, "1/1024 s"), (1e7, "10 ms")]
    {
        let coarse = Cut { resolution_ns, ..ground.clone() };
        cuts.push(coarse.named("coarse stamps", what.to_owned()));
    }
    for ppm in [-100.0, -50.0, -20.0, 20.0, 50.0, 100.0_f64] {
        let tolerance_ppm = if ppm.abs() > 50.0 { 100.0 } else { 50.0 };
        let clocked = Cut { tolerance_ppm, ..ground.clone().host_clock(ppm) };
        cuts.push(clocked.named("other host clock", format!("{ppm:+} ppm, {tolerance_ppm} ppm declared")));
    }
    for tolerance_ppm in [5.0, 20.0, 200.0, 1_000.0] {
        let declared = Cut { tolerance_ppm, ..ground.clone() };
        cuts.push(declared.named("other tolerance", format!("{tolerance_ppm} ppm declared")));
    }
    for rate_off in [-0.01, -0.005, -0.001, 0.001, 0.005, 0.01] {
        let off = Cut { rate_off, ..ground.clone() };
        cuts.push(off.named("wrong nominal rate", format!("{:+.1} %", rate_off * 100.0)));
    }
}

fn declared<'a>(ground: &Cut<'a>, cuts: &mut Vec<Cut<'a>>) {
    let right = interval_ms(ground.capture.name);
    if right.is_some() {
        cuts.push(Cut { interval_ms: right, ..ground.clone() }.named("interval declared", String::new()));
    }
    for ms in [7.5, 11.25, 20.0, 45.0, 50.0, 100.0] {
        let wrong = Cut { interval_ms: Some(ms), ..ground.clone() };
        cuts.push(wrong.named("wrong interval", format!("{ms} ms")));
    }
    for u_ms in [0.05, 0.2, 1.0, 5.0] {
        let uncertain = Cut { delay: Delay::Uncertain(u_ms), ..ground.clone() };
        cuts.push(uncertain.named("uncertain delay", format!("{u_ms} ms")));
    }
}

fn packed<'a>(ground: &Cut<'a>, cuts: &mut Vec<Cut<'a>>) {
    cuts.push(Cut { sequence_bits: 8, ..ground.clone() }.named("8 bits of sequence", String::new()));
    for samples in [2, 3, 5] {
        let merged = ground.clone().merged(samples);
        cuts.push(merged.named("samples merged", format!("{samples} to a packet")));
    }
    cuts.push(Cut { streams: 2, ..ground.clone() }.named("two streams", "no ticks".to_owned()));
    for tick_hz in [32_768.0, 1_000.0, 1e6] {
        let ticks = Cut { tick_hz: Some(tick_hz), ..ground.clone() };
        cuts.push(ticks.clone().named("ticks", format!("{tick_hz} Hz")));
        let two = Cut { streams: 2, ..ticks };
        cuts.push(two.named("two streams", format!("{tick_hz} Hz")));
    }
}

fn sighted<'a>(ground: &Cut<'a>, seeds: u64, cuts: &mut Vec<Cut<'a>>) {
    let ticks = Cut { tick_hz: Some(32_768.0), ..ground.clone() };
    let n = ground.rows.len();
    for seed in 1..=seeds {
        for count in [2, 10, 50] {
            for within_ms in [0.1, 1.0] {
                let every = (n / count).max(1);
                let marked = Cut { sighted: Sighted::Markers(every, within_ms), seed, ..ticks.clone() };
                let what = format!("{count} within {within_ms} ms, seed {seed}");
                cuts.push(marked.clone().named("markers", what.clone()));
                let uncertain = Cut { delay: Delay::Uncertain(5.0), ..marked };
                cuts.push(uncertain.named("markers, delay ± 5 ms", what));
            }
            let every = (n / count).max(1);
            let asked = Cut { sighted: Sighted::Exchanges(every), seed, ..ticks.clone() };
            let what = format!("{count}, seed {seed}");
            cuts.push(asked.clone().named("exchanges", what.clone()));
            let uncertain = Cut { delay: Delay::Uncertain(5.0), ..asked };
            cuts.push(uncertain.named("exchanges, delay ± 5 ms", what));
        }
    }
}
