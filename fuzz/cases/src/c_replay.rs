//! The replay behind the C interface: arrays, one of them possibly null or too long, and scratch memory that may be short or misaligned.

use std::ptr::{null, null_mut};

use tickseam::placement::Placement;
use tickseam_capi::*;

use crate::replayed::Recorded;
use crate::scene::Scene;
use crate::{Checked, checks, holds};

/// Scratch memory beyond this is not tried, bytes: stamps that are far apart ask for much, and take as long.
const MOST_SCRATCH: usize = 8_000_000;

/// Replays the packets of a scene; `spoil` says what is wrong with the call.
pub(crate) fn check(config: &tickseam_config, scene: &Scene, spoil: u8) -> Checked {
    let recorded = Recorded::of(scene);
    let rows = &recorded.packets;
    let host_ns: Vec<i64> = rows.iter().map(|(_, stamp)| stamp.host_ns).collect();
    let stream: Vec<u32> = rows.iter().map(|(stream, _)| *stream as u32).collect();
    let sequence: Vec<u64> = rows.iter().map(|(_, stamp)| stamp.sequence).collect();
    let tick: Vec<u64> = rows.iter().map(|(_, stamp)| stamp.tick.unwrap_or(0)).collect();
    let has_tick: Vec<u8> = rows.iter().map(|(_, stamp)| u8::from(stamp.tick.is_some())).collect();
    let samples: Vec<u32> = rows.iter().map(|(_, stamp)| stamp.samples).collect();
    let mut packets = tickseam_packets {
        struct_size: size_of::<tickseam_packets>() as u32,
        reserved: 0,
        count: rows.len() as u64,
        host_ns: host_ns.as_ptr(),
        stream: stream.as_ptr(),
        sequence: sequence.as_ptr(),
        tick: tick.as_ptr(),
        has_tick: has_tick.as_ptr(),
        samples: samples.as_ptr(),
    };
    let origin_ns: Vec<i64> = recorded.exchanges.iter().map(|e| e.origin_ns).collect();
    let receive_tick: Vec<u64> = recorded.exchanges.iter().map(|e| e.receive_tick).collect();
    let transmit_tick: Vec<u64> = recorded.exchanges.iter().map(|e| e.transmit_tick).collect();
    let destination_ns: Vec<i64> = recorded.exchanges.iter().map(|e| e.destination_ns).collect();
    let marker_host_ns: Vec<i64> = recorded.markers.iter().map(|m| m.host_ns).collect();
    let marker_tick: Vec<u64> = recorded.markers.iter().map(|m| m.tick).collect();
    let mut sightings = tickseam_sightings {
        struct_size: size_of::<tickseam_sightings>() as u32,
        reserved: 0,
        exchange_count: origin_ns.len() as u64,
        marker_count: marker_tick.len() as u64,
        origin_ns: origin_ns.as_ptr(),
        receive_tick: receive_tick.as_ptr(),
        transmit_tick: transmit_tick.as_ptr(),
        destination_ns: destination_ns.as_ptr(),
        marker_host_ns: marker_host_ns.as_ptr(),
        marker_tick: marker_tick.as_ptr(),
    };
    let event_ns: Vec<i64> = recorded.events.iter().map(|event| event.host_ns).collect();
    let latency_us: Vec<f64> = recorded.events.iter().map(|event| event.latency.us).collect();
    let latency_u_us: Vec<f64> = recorded.events.iter().map(|event| event.latency.u_us).collect();
    let mut events = tickseam_events {
        struct_size: size_of::<tickseam_events>() as u32,
        reserved: 0,
        count: event_ns.len() as u64,
        host_ns: event_ns.as_ptr(),
        latency_us: latency_us.as_ptr(),
        latency_u_us: latency_u_us.as_ptr(),
        reserved_pointer: null(),
    };
    let mut scratch_size = 0_usize;
    // SAFETY: all arrays are as long as said.
    let status = unsafe {
        tickseam_replay_scratch(
            config,
            &raw const packets,
            &raw const sightings,
            &raw const events,
            &raw mut scratch_size,
        )
    };
    holds!(status == TICKSEAM_OK, "scratch of sensible arrays: {status}");
    if scratch_size > MOST_SCRATCH {
        return Ok(());
    }
    let mut scratch = vec![0xA5A5_A5A5_A5A5_A5A5_u64; scratch_size / 8 + 2];
    let mut size = scratch_size;
    let mut at = scratch.as_mut_ptr().cast::<u8>();
    let expected = match spoil {
        20 => {
            packets.host_ns = null();
            (packets.count > 0).then_some(TICKSEAM_ERROR_NULL)
        }
        21 => {
            packets.count = u64::MAX / 2;
            Some(TICKSEAM_ERROR_VALUE)
        }
        22 => {
            sightings.reserved = 1;
            Some(TICKSEAM_ERROR_VALUE)
        }
        23 => {
            events.struct_size -= 8;
            Some(TICKSEAM_ERROR_STRUCT_SIZE)
        }
        24 => {
            at = at.wrapping_add(1);
            Some(TICKSEAM_ERROR_MISALIGNED)
        }
        25 => {
            at = null_mut();
            Some(TICKSEAM_ERROR_NULL)
        }
        26 => {
            size = 0;
            Some(TICKSEAM_ERROR_SHORT_MEMORY)
        }
        27 => {
            packets.sequence = packets.sequence.wrapping_byte_add(1);
            (packets.count > 0).then_some(TICKSEAM_ERROR_MISALIGNED)
        }
        _ => None,
    };
    let placement = tickseam_placement {
        struct_size: size_of::<tickseam_placement>() as u32,
        segment: 0,
        device_s: f64::NAN,
        sample: f64::NAN,
        u_us: f64::NAN,
        u95_us: f64::NAN,
        link_us: f64::NAN,
        holdover_us: f64::NAN,
        fixed_delay_us: f64::NAN,
        resolution_us: f64::NAN,
        latency_us: f64::NAN,
        statistics_us: f64::NAN,
        lattice_us: f64::NAN,
        curvature_us: f64::NAN,
        excludes_fixed_delay: 7,
        status: 7,
    };
    let mut placements = vec![placement; event_ns.len() + 1];
    let mut report = tickseam_replay_report {
        struct_size: size_of::<tickseam_replay_report>() as u32,
        segments: u32::MAX,
        used: 0,
        rejected: 0,
        wild: 0,
        interval_us: 0.0,
        slips: 0.0,
        congested: 0,
        off_nominal: 0,
        exchanges_used: 0,
        markers_used: 0,
    };
    // SAFETY: all arrays are as long as said, or null or misaligned, which is answered; nobody else uses the scratch memory.
    let status = unsafe {
        tickseam_replay(
            config,
            &raw const packets,
            &raw const sightings,
            &raw const events,
            at.cast(),
            size,
            placements.as_mut_ptr(),
            &raw mut report,
        )
    };
    let beyond = placements.pop().is_some_and(|last| last.status == 7 && last.device_s.is_nan());
    holds!(beyond, "replay writes behind its placements");
    if let Some(expected) = expected {
        holds!(status == expected, "replay with {spoil}: {status}, not {expected}");
    }
    if status != TICKSEAM_OK {
        let untouched = placements.iter().all(|placement| placement.status == 7);
        holds!(untouched && report.segments == u32::MAX, "replay: {status}, and yet an output is written");
        // Times that run back and forth need more than was said; else what was asked for has to do.
        let usual = [TICKSEAM_ERROR_NOT_YET, TICKSEAM_ERROR_SHORT_MEMORY].contains(&status);
        holds!(usual || expected.is_some(), "replay of sensible arrays: {status}");
        return Ok(());
    }
    holds!(
        report.used + report.rejected <= rows.len() as u64 && report.segments > 0,
        "replay: {} packets used and {} rejected of {}",
        report.used,
        report.rejected,
        rows.len()
    );
    for placed in &placements {
        holds!((0..=2).contains(&placed.status), "replay: an event of status {}", placed.status);
        let budget = tickseam::placement::Budget {
            link_us: placed.link_us,
            statistics_us: placed.statistics_us,
            lattice_us: placed.lattice_us,
            curvature_us: placed.curvature_us,
            holdover_us: placed.holdover_us,
            fixed_delay_us: placed.fixed_delay_us,
            resolution_us: placed.resolution_us,
            latency_us: placed.latency_us,
        };
        let placement =
            Placement { device_s: placed.device_s, u_us: placed.u_us, u95_us: placed.u95_us, budget };
        checks::placement(&placement, false)?;
    }
    Ok(())
}
