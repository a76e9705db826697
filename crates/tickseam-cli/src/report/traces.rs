//! What the figures show, as numbers: the clock sampled along each stretch, and every arrival's delay above it.

use tickseam::placement::{Budget, Shift};

use crate::align::{Aligned, Captured};
use crate::estimate::{Estimate, Piece};
use crate::quantile::of_sorted;

/// Points at which the clock of the whole recording is sampled, about.
const POINTS: f64 = 900.0;
/// Most points of one stretch lie so close, s, so that delays between them can be told from straight lines.
const LARGEST_STEP_S: f64 = 20.0;

/// The clock at one instant.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    /// Device time in the segment, s.
    pub(super) device_s: f64,
    /// Time on the figures, s since the first packet.
    pub(super) x_s: f64,
    /// Residual at which a packet could arrive at the soonest, and its bounds, µs.
    pub(super) envelope_us: f64,
    pub(super) low_us: f64,
    pub(super) high_us: f64,
    /// Drift and its bounds, ppm; positive: the headset's clock runs fast.
    pub(super) drift_ppm: f64,
    pub(super) drift_low_ppm: f64,
    pub(super) drift_high_ppm: f64,
    /// Of an event of that instant without a latency of its own.
    pub(super) budget: Budget,
    pub(super) u95_ms: f64,
}

/// The clock along a stretch without restart and without a setting of the host's clock.
#[derive(Clone, Debug)]
pub(super) struct Trace {
    pub(super) segment: u32,
    pub(super) points: Vec<Point>,
}

/// A packet of the reference stream: when, and how long after the soonest that it could have come.
#[derive(Clone, Copy, Debug)]
pub(super) struct Delay {
    pub(super) x_s: f32,
    pub(super) ms: f32,
}

/// A bound from an exchange or a marker, against the soonest arrival less the fixed delay, ms.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sighting {
    pub(super) x_s: f64,
    pub(super) low_ms: Option<f64>,
    pub(super) high_ms: Option<f64>,
}

/// Something to mark on the axis of time.
#[derive(Clone, Debug)]
pub(super) struct Mark {
    pub(super) x_s: f64,
    pub(super) words: String,
    pub(super) restart: bool,
}

/// A stretch of lost samples.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lost {
    pub(super) stream: usize,
    pub(super) from_s: f64,
    pub(super) to_s: f64,
}

/// All that the figures show.
#[derive(Clone, Debug)]
pub(super) struct Traces {
    pub(super) traces: Vec<Trace>,
    pub(super) delays: Vec<Delay>,
    /// The delays alone, in rising order.
    pub(super) sorted_ms: Vec<f32>,
    /// Differences from one packet to the next that was received, as sizes in rising order, ms.
    pub(super) variation_ms: Vec<f32>,
    pub(super) sightings: Vec<Sighting>,
    pub(super) marks: Vec<Mark>,
    pub(super) lost: Vec<Lost>,
    /// Period of the link's grid, as found or else as declared, ms.
    pub(super) interval_ms: Option<f64>,
    pub(super) interval_found: bool,
    /// The clock rests on exchanges and markers, so that delays count from a packet's first sample.
    pub(super) by_pairs: bool,
    /// What delays are counted from, for axes.
    pub(super) delay_words: &'static str,
    /// End of the axis of time, s.
    pub(super) end_s: f64,
}

fn point(estimate: &Estimate, piece: &Piece, device_s: f64, begin_s: f64) -> Point {
    let (knot, _) = piece.known_at(device_s);
    let host_ns = estimate.frame.host_ns(
        device_s + estimate.ground.half_tick_us * 1e-6,
        knot.offset_us - piece.fixed_delay().unwrap_or_default().us,
    );
    let placement = estimate.place(piece, host_ns, Shift::default());
    Point {
        device_s,
        x_s: begin_s + device_s,
        envelope_us: knot.offset_us,
        low_us: knot.low_us,
        high_us: knot.high_us,
        drift_ppm: -knot.rate_ppm,
        drift_low_ppm: -knot.rate_high_ppm,
        drift_high_ppm: -knot.rate_low_ppm,
        budget: placement.budget,
        u95_ms: placement.u95_us / 1e3,
    }
}

impl Traces {
    pub(super) fn of(aligned: &Aligned, captured: &Captured<'_>) -> Self {
        let origin_ns = aligned.estimates.values().next().map_or(0, |estimate| estimate.frame.host_origin_ns);
        let mut all = Self {
            traces: Vec::new(),
            delays: Vec::new(),
            sorted_ms: Vec::new(),
            variation_ms: Vec::new(),
            sightings: Vec::new(),
            marks: Vec::new(),
            lost: Vec::new(),
            interval_ms: None,
            interval_found: false,
            by_pairs: false,
            delay_words: "delay above the envelope, ms",
            end_s: 0.0,
        };
        let reports =
            aligned.estimates.values().flat_map(|estimate| &estimate.pieces).filter_map(Piece::report);
        all.by_pairs = reports.into_iter().any(|report| report.by_pairs);
        if all.by_pairs {
            all.delay_words = "delay since the first sample, ms";
        }
        let spans = aligned.estimates.values().flat_map(|estimate| &estimate.pieces);
        let total_s: f64 = spans.map(|piece| piece.to_s - piece.from_s).sum();
        let mut begins = Vec::new();
        let mut longest_s = 0.0;
        for (&segment, estimate) in &aligned.estimates {
            // Segments follow each other by the host's clock, but never overlap on the figures, whatever was set.
            let by_host_s = (i128::from(estimate.frame.host_origin_ns) - i128::from(origin_ns)) as f64 / 1e9;
            let begin_s =
                if by_host_s >= all.end_s && by_host_s < all.end_s + 1e7 { by_host_s } else { all.end_s };
            begins.push((segment, begin_s));
            if !all.traces.is_empty() {
                let words = format!("segment {segment} begins: the headset restarted");
                all.marks.push(Mark { x_s: begin_s, words, restart: true });
            }
            for (number, piece) in estimate.pieces.iter().enumerate() {
                let trace = all.piece(segment, estimate, piece, begin_s, total_s);
                if number > 0
                    && let Some(cut) = piece.cut
                {
                    let words = format!("{} ({:+.0} ms)", cut.cause.in_words(), cut.step_us / 1e3);
                    all.marks.push(Mark { x_s: begin_s + piece.from_s, words, restart: false });
                }
                let span_s = piece.to_s - piece.from_s;
                if let Some(grid) = piece.report().and_then(|report| report.interval)
                    && span_s > longest_s
                {
                    longest_s = span_s;
                    (all.interval_ms, all.interval_found) = (Some(grid.period_us / 1e3), true);
                }
                all.end_s = all.end_s.max(begin_s + piece.to_s);
                all.traces.push(trace);
            }
            for change in &estimate.grid_changes {
                let words = change.cause.in_words().to_owned();
                all.marks.push(Mark { x_s: begin_s + change.at_s, words, restart: false });
            }
        }
        all.interval_ms = all.interval_ms.or(captured.description.link.connection_interval_ms);
        for gap in &aligned.gaps {
            let stream = captured.description.streams.iter().position(|stream| stream.name == gap.stream);
            let begin_s = begins.iter().find(|(segment, _)| *segment == gap.segment);
            if let (Some(stream), Some((_, begin_s)), Some(onset_s)) = (stream, begin_s, gap.onset_s) {
                let from_s = begin_s + onset_s;
                all.lost.push(Lost { stream, from_s, to_s: from_s + gap.duration_s.unwrap_or(0.0) });
            }
        }
        all.marks.sort_by(|a, b| a.x_s.total_cmp(&b.x_s));
        all.sorted_ms = all.delays.iter().map(|delay| delay.ms).collect();
        all.sorted_ms.sort_unstable_by(f32::total_cmp);
        all.variation_ms.sort_unstable_by(f32::total_cmp);
        all
    }

    fn piece(
        &mut self,
        segment: u32,
        estimate: &Estimate,
        piece: &Piece,
        begin_s: f64,
        total_s: f64,
    ) -> Trace {
        let span_s = piece.to_s - piece.from_s;
        let count = (POINTS * span_s / total_s.max(1e-9)).max(span_s / LARGEST_STEP_S).ceil().clamp(2.0, 1e5);
        let points: Vec<Point> = (0..=count as usize)
            .map(|number| point(estimate, piece, piece.from_s + span_s * number as f64 / count, begin_s))
            .collect();
        let envelope_us = |device_s: f64| {
            let at = ((device_s - piece.from_s) / span_s.max(1e-9) * count).clamp(0.0, count - 1e-9);
            let (left, share) = (at as usize, at.fract());
            points[left].envelope_us + share * (points[left + 1].envelope_us - points[left].envelope_us)
        };
        let fixed_us = piece.fixed_delay().map_or(0.0, |delay| delay.us);
        // The same meaning for all pieces of a recording.
        let added_us = if self.by_pairs { fixed_us } else { 0.0 };
        let mut before_ms: Option<f32> = None;
        self.delays.reserve(piece.arrivals.len());
        for arrival in &estimate.arrivals[piece.arrivals.clone()] {
            let ms = ((arrival.residual_us + added_us - envelope_us(arrival.device_s)) / 1e3) as f32;
            self.delays.push(Delay { x_s: (begin_s + arrival.device_s) as f32, ms });
            self.variation_ms.extend(before_ms.map(|before_ms| (ms - before_ms).abs()));
            before_ms = Some(ms);
        }
        for pair in &piece.pairs {
            let ms = |residual_us: f64| (residual_us + fixed_us - added_us - envelope_us(pair.at_s)) / 1e3;
            self.sightings.push(Sighting {
                x_s: begin_s + pair.at_s,
                low_ms: pair.low_us.map(ms),
                high_ms: pair.high_us.map(ms),
            });
        }
        Trace { segment, points }
    }

    /// The quantile of the delays, ms; 0 without any.
    pub(super) fn delay_ms(&self, share: f64) -> f64 {
        of_sorted(&self.sorted_ms, share).map_or(0.0, f64::from)
    }

    /// Where in the recording a placement is known least, and how well there.
    pub(super) fn worst(&self) -> Option<(f64, f64)> {
        let points = self.traces.iter().flat_map(|trace| &trace.points);
        points.map(|point| (point.x_s, point.u95_ms)).max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// A quantile of the half-widths along the recording, ms.
    pub(super) fn u95_ms(&self, share: f64) -> Option<f64> {
        let points = self.traces.iter().flat_map(|trace| &trace.points);
        let mut all: Vec<f64> = points.map(|point| point.u95_ms).collect();
        all.sort_by(f64::total_cmp);
        of_sorted(&all, share)
    }
}

/// The causes of a budget's lines, in the order in which they are shown.
pub(super) const CAUSES: [&str; 7] =
    ["statistics", "lattice", "curvature", "holdover", "fixed delay", "stamp resolution", "event latency"];

/// A budget's lines as half-widths, ms, in the order of [`CAUSES`].
pub(super) fn lines_ms(budget: &Budget) -> [f64; 7] {
    [
        budget.statistics_us,
        budget.lattice_us,
        budget.curvature_us,
        budget.holdover_us,
        budget.fixed_delay_us,
        budget.resolution_us,
        budget.latency_us,
    ]
    .map(|us| us / 1e3)
}

/// What each line has of the whole half-width, ms: they add up to `u95`. The clock's lines are bounds and add, the others are independent
/// of them and add in quadrature, so each independent part has its square's share, and the clock's part is divided as its lines are.
pub(super) fn shares_ms(budget: &Budget, u95_ms: f64) -> [f64; 7] {
    let lines = lines_ms(budget);
    let clock: f64 = lines[..4].iter().sum();
    let squares = clock * clock + lines[4..].iter().map(|line| line * line).sum::<f64>();
    let mut shares = [0.0; 7];
    if squares > 0.0 {
        for (place, line) in lines.iter().enumerate() {
            let part = if place < 4 { clock * line } else { line * line };
            shares[place] = u95_ms * part / squares;
        }
    }
    shares
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_of_a_budget_add_up_to_its_half_width() {
        let budget = Budget {
            link_us: 600.0,
            statistics_us: 300.0,
            lattice_us: 200.0,
            curvature_us: 100.0,
            holdover_us: 50.0,
            fixed_delay_us: 392.0,
            resolution_us: 15.0,
            latency_us: 700.0,
        };
        let u95_ms = budget.u95_us() / 1e3;
        let shares = shares_ms(&budget, u95_ms);
        assert!((shares.iter().sum::<f64>() - u95_ms).abs() < 1e-12);
        // Of two independent parts the greater one's share is as its square.
        assert!((shares[6] / shares[4] - (700.0_f64 / 392.0).powi(2)).abs() < 1e-9);
        assert_eq!(shares_ms(&Budget::default(), 0.0), [0.0; 7]);
    }
}
