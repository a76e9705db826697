//! Where each packet lies, and how late it came: what `packets.parquet` says beside what was received.

use rayon::prelude::*;
use tickseam::placement::{Budget, Shift};
use tickseam_record::{BudgetSummary, Description, NO_SEGMENT, PacketTimeline, Packets};

use crate::align::{Aligned, SampleTimeline};
use crate::estimate::{Estimate, Piece};

/// Packets worked out at a time: bounds what is held besides the columns.
const BLOCK: usize = 128 * 1024;

/// The timeline of all packets of a recording that was aligned.
///
/// The delay of a packet is its host stamp, less the estimated host time of its first sample, less the fixed delay of a packet of its
/// length: what it waited. Where nobody knows the fixed delay and the clock rests on arrivals, it counts from the soonest that a packet
/// could come, which is the same; where the clock rests on exchanges or markers, it is not known then. Packets of streams that do not
/// share the reference stream's clock have none.
pub fn packet_timeline(
    description: &Description,
    packets: &Packets<'_>,
    aligned: &Aligned,
) -> PacketTimeline {
    let count = packets.len();
    let mut timeline = PacketTimeline {
        segment: vec![NO_SEGMENT; count],
        index: vec![0; count],
        first_sample_s: vec![f64::NAN; count],
        delay_ms: vec![f64::NAN; count],
    };
    for samples in &aligned.sample_timelines {
        for (&row, &index) in samples.rows.iter().zip(&samples.index) {
            (timeline.segment[row as usize], timeline.index[row as usize]) = (samples.segment, index);
        }
        let Some(begins_s) = samples.begins_s else { continue };
        let clock = aligned.estimates.get(&samples.segment).map(|estimate| Clock { estimate, description });
        for (rows, first_s) in samples.rows.chunks(BLOCK).zip(samples.first_s.chunks(BLOCK)) {
            let delays: Vec<f64> = rows
                .par_iter()
                .zip(first_s)
                .map(|(&row, first_s)| {
                    let delay_ms = clock
                        .as_ref()
                        .and_then(|clock| clock.delay_ms(packets, samples, row as usize, begins_s + first_s));
                    delay_ms.unwrap_or(f64::NAN)
                })
                .collect();
            for ((&row, first_s), delay_ms) in rows.iter().zip(first_s).zip(delays) {
                timeline.first_sample_s[row as usize] = begins_s + first_s;
                timeline.delay_ms[row as usize] = delay_ms;
            }
        }
    }
    timeline
}

/// The clock of one segment.
struct Clock<'a> {
    estimate: &'a Estimate,
    description: &'a Description,
}

impl Clock<'_> {
    fn delay_ms(
        &self,
        packets: &Packets<'_>,
        samples: &SampleTimeline,
        row: usize,
        first_sample_s: f64,
    ) -> Option<f64> {
        let residual_us = self.estimate.frame.residual_us(packets.host_ns()[row], first_sample_s)
            - self.longer_us(samples.stream, packets.samples()[row]);
        let waited_us = |piece: &Piece| {
            let knot = piece.known_at(first_sample_s).0;
            let soonest_us = knot.offset_us + self.above_us(piece)?;
            Some(residual_us - soonest_us).filter(|_| knot.half_width_us().is_finite())
        };
        let pieces = &self.estimate.pieces;
        let mut holding =
            pieces.iter().filter(|piece| piece.from_s <= first_sample_s && first_sample_s <= piece.to_s);
        let waited = match (holding.next(), holding.next()) {
            (Some(only), None) => waited_us(only),
            // Where packets came out of order while the host's clock was set: by whichever clock the packet waited least.
            (Some(first), Some(second)) => [first, second]
                .into_iter()
                .chain(holding)
                .filter_map(waited_us)
                .min_by(|a, b| a.abs().total_cmp(&b.abs())),
            (None, _) => {
                let begun = pieces.iter().rev().find(|piece| piece.from_s <= first_sample_s);
                waited_us(begun.or(pieces.first())?)
            }
        };
        waited.map(|us| us / 1e3)
    }

    /// How far the soonest arrivals lie above what is known of a piece, µs: nothing, unless it rests on exchanges or markers, which know
    /// the clock itself. `None` where nobody knows.
    fn above_us(&self, piece: &Piece) -> Option<f64> {
        let by_pairs = match piece.report() {
            Some(report) => report.by_pairs,
            None => piece.fixed_delay() == Some(Shift::default()),
        };
        if by_pairs { self.estimate.ground.fixed_delay.map(|delay| delay.us) } else { Some(0.0) }
    }

    /// By how much longer a packet takes to fill than the reference stream's usual one, µs. A device without ticks sends nothing that
    /// would tell when a packet of another length began.
    fn longer_us(&self, stream: usize, samples: u16) -> f64 {
        let streams = &self.description.streams;
        if self.description.device_clock.tick_hz.is_none() {
            return 0.0;
        }
        let fill_us =
            |samples: u16, stream: usize| (f64::from(samples) - 1.0) / streams[stream].rate_hz * 1e6;
        fill_us(samples, stream) - fill_us(streams[0].samples_per_packet, 0)
    }
}

/// What the `u95_ms` of each event is made of, ms.
pub fn budgets_ms(aligned: &Aligned) -> Vec<Option<BudgetSummary>> {
    let in_ms = |budget: &Budget| BudgetSummary {
        link_ms: budget.link_us / 1e3,
        statistics_ms: budget.statistics_us / 1e3,
        lattice_ms: budget.lattice_us / 1e3,
        curvature_ms: budget.curvature_us / 1e3,
        holdover_ms: budget.holdover_us / 1e3,
        fixed_delay_ms: budget.fixed_delay_us / 1e3,
        resolution_ms: budget.resolution_us / 1e3,
        latency_ms: budget.latency_us / 1e3,
    };
    aligned.budgets.iter().map(|budget| budget.as_ref().map(in_ms)).collect()
}
