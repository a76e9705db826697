//! What came out of a cut, against its truth.

use tickseam_cli::align::{Aligned, Captured, align};

use super::Cut;

/// One way to place events, against the truth.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Held {
    pub(super) events: usize,
    pub(super) held: usize,
    /// Greatest error, in its own `u95`.
    pub(super) worst: f64,
    pub(super) median_error_ms: f64,
    pub(super) median_u95_ms: f64,
}

impl Held {
    /// Of errors and half-widths, ms.
    fn of(errors: &[(f64, f64)]) -> Self {
        let median = |of: fn(&(f64, f64)) -> f64| {
            let mut all: Vec<f64> = errors.iter().map(of).collect();
            all.sort_by(f64::total_cmp);
            all.get(all.len() / 2).copied().unwrap_or(0.0)
        };
        Self {
            events: errors.len(),
            held: errors.iter().filter(|(error, u95)| error <= u95).count(),
            worst: errors.iter().map(|(error, u95)| error / u95).fold(0.0, f64::max),
            median_error_ms: median(|e| e.0),
            median_u95_ms: median(|e| e.1),
        }
    }

    /// Share of the events whose interval held the truth; all of none.
    pub(super) fn share(&self) -> f64 {
        if self.events > 0 { self.held as f64 / self.events as f64 } else { 1.0 }
    }
}

/// What came out of one cut.
#[derive(Clone, Debug)]
pub(super) struct Verdict {
    pub(super) capture: &'static str,
    pub(super) family: &'static str,
    pub(super) what: String,
    pub(super) replayed: Held,
    pub(super) live: Held,
    /// Share of the events at which what the replay holds possible of the rate holds the true one.
    pub(super) rate_held: f64,
    /// Of the maps, the greatest error of the drift in its own standard uncertainty.
    pub(super) drift_worst: f64,
    pub(super) link_kind: String,
    pub(super) grid_ms: Option<f64>,
    pub(super) beat_ms: Option<f64>,
}

impl Verdict {
    pub(super) fn of(cut: &Cut<'_>) -> Self {
        let recording = cut.recording();
        let aligned = align(&Captured::of(&recording)).unwrap();
        let onsets_s = cut.onsets_s();
        let unplaced = (f64::INFINITY, 1.0);
        let rows = || aligned.events.rows.iter().zip(&onsets_s);
        let replayed: Vec<(f64, f64)> = rows()
            .map(|(row, truth_s)| match (row.onset_s, row.u95_ms) {
                (Some(onset_s), Some(u95_ms)) => ((onset_s - truth_s).abs() * 1e3, u95_ms),
                _ => unplaced,
            })
            .collect();
        let live: Vec<(f64, f64)> = rows()
            .filter_map(|(row, truth_s)| Some(((row.live_onset_s? - truth_s).abs() * 1e3, row.live_u95_ms?)))
            .collect();
        let true_ppm = true_rate_ppm(cut, &onsets_s);
        let segment = &aligned.segments[0];
        let off = |map: &tickseam_record::MapSummary| {
            let true_drift_ppm = (1.0 / (1.0 + true_ppm * 1e-6) - 1.0) * 1e6;
            (map.drift_ppm - true_drift_ppm).abs() / map.u_drift_ppm.unwrap_or(f64::INFINITY)
        };
        Self {
            capture: cut.capture.name,
            family: cut.family,
            what: cut.what.clone(),
            replayed: Held::of(&replayed),
            live: Held::of(&live),
            rate_held: rate_held(&aligned, &onsets_s, true_ppm),
            drift_worst: segment.maps.iter().map(off).fold(0.0, f64::max),
            link_kind: segment.link_kind.clone(),
            grid_ms: segment.grid_interval_ms,
            beat_ms: segment.beat_ms,
        }
    }

    /// Whether either way holds too little, or misses by far.
    pub(super) fn fails(&self, share: f64, worst: f64) -> bool {
        let bad = |held: &Held| held.share() < share || held.worst > worst;
        bad(&self.replayed) || bad(&self.live)
    }

    pub(super) fn line(&self) -> String {
        let one = |h: &Held| {
            format!(
                "{:5.1} % of {:4}, worst {:6.2}, error {:8.3}, u95 {:8.3} ms",
                h.share() * 100.0,
                h.events,
                h.worst,
                h.median_error_ms,
                h.median_u95_ms
            )
        };
        let ms = |ms: Option<f64>| ms.map_or("-".to_owned(), |ms| format!("{ms:.2}"));
        format!(
            "{:42} {:22} {:40} | {} | live {} | rate {:3.0} %, drift {:5.2} u | {} {} {}",
            self.capture,
            self.family,
            self.what,
            one(&self.replayed),
            one(&self.live),
            self.rate_held * 100.0,
            self.drift_worst,
            self.link_kind,
            ms(self.grid_ms),
            ms(self.beat_ms),
        )
    }
}

/// Seconds of the host gained per nominal second of the device over the cut, ppm: by a straight line through all true instants.
fn true_rate_ppm(cut: &Cut<'_>, onsets_s: &[f64]) -> f64 {
    let origin_ns = cut.instants[0].1;
    let residual_us =
        |&((_, ns), x): &(&(f64, i64), &f64)| ((ns - origin_ns) as f64 / 1e9 - (x - onsets_s[0])) * 1e6;
    let points = cut.instants.iter().zip(onsets_s);
    let line = tickseam::line::fit(points.map(|point| (*point.1, residual_us(&point), 1.0)));
    line.unwrap().slope().value
}

fn rate_held(aligned: &Aligned, onsets_s: &[f64], true_ppm: f64) -> f64 {
    let estimate = &aligned.estimates[&0];
    let holds = |&&at_s: &&f64| {
        let piece = estimate.pieces.iter().find(|piece| at_s <= piece.to_s).unwrap_or(&estimate.pieces[0]);
        let (knot, _) = piece.known_at(at_s);
        (knot.rate_low_ppm - 1e-6..=knot.rate_high_ppm + 1e-6).contains(&true_ppm)
    };
    onsets_s.iter().filter(holds).count() as f64 / onsets_s.len() as f64
}

/// Prints verdicts, those together of which `of` says the same.
pub(super) fn table(verdicts: &[Verdict], name: &str, of: impl Fn(&Verdict) -> &'static str) {
    let mut order: Vec<&str> = Vec::new();
    for verdict in verdicts {
        if !order.contains(&of(verdict)) {
            order.push(of(verdict));
        }
    }
    println!(
        "\n| {name} | recordings | held, replayed | least | worst error ÷ u95 | median u95, ms | held, live | least | worst | median u95, ms | rate held | drift within its u95 | below 95 % |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    for one in order {
        let those: Vec<&Verdict> = verdicts.iter().filter(|verdict| of(verdict) == one).collect();
        let way = |way: fn(&Verdict) -> Held| {
            let ways = || those.iter().map(|v| way(v));
            let events: usize = ways().map(|held| held.events).sum();
            let mut u95: Vec<f64> = ways().map(|held| held.median_u95_ms).collect();
            u95.sort_by(f64::total_cmp);
            format!(
                "{:.2} % | {:.0} % | {:.2} | {:.2}",
                ways().map(|held| held.held).sum::<usize>() as f64 / events.max(1) as f64 * 100.0,
                ways().map(|held| held.share()).fold(1.0, f64::min) * 100.0,
                ways().map(|held| held.worst).fold(0.0, f64::max),
                u95[u95.len() / 2],
            )
        };
        let n = those.len() as f64;
        println!(
            "| {one} | {n} | {} | {} | {:.1} % | {:.1} % | {} |",
            way(|v| v.replayed),
            way(|v| v.live),
            those.iter().map(|v| v.rate_held).sum::<f64>() / n * 100.0,
            those.iter().filter(|v| v.drift_worst <= 1.96).count() as f64 / n * 100.0,
            those.iter().filter(|v| v.fails(0.95, f64::INFINITY)).count(),
        );
    }
}
