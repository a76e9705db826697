//! The live estimator by itself, fed with arrivals and sync pairs that no intake has looked at, and a copy that goes on beside it.

use std::fmt::Debug;

use arbitrary::{Result, Unstructured};
use tickseam::block::Arrival;
use tickseam::live::Live;
use tickseam::pair::SyncPair;
use tickseam::placement::Shift;
use tickseam::setup::Setup;

use crate::{Checked, checks};

/// Arrivals that one input makes at the most.
const MOST: usize = 4_000;

pub(crate) fn setup(bytes: &mut Unstructured<'_>) -> Result<Setup> {
    let tolerance_ppm = *bytes.choose(&[50.0, 0.0, 10.0, 500.0, 99_980.0])?;
    let period_s = *bytes.choose(&[0.02, 0.004, 0.05, 0.1, 1.0, 60.0])?;
    let delay = Shift { us: f64::from(bytes.arbitrary::<u16>()?), u_us: f64::from(bytes.arbitrary::<u8>()?) };
    Ok(Setup {
        fixed_delay: bytes.ratio(1, 2)?.then_some(delay),
        interval_us: *bytes.choose(&[None, Some(15_000.0), Some(7_500.0), Some(20_000.0), Some(1e7)])?,
        resolution_us: *bytes.choose(&[0.001, 0.0, 30.5, 1_000.0, 1e6])?,
        ..Setup::new(tolerance_ppm, period_s)
    })
}

/// Arrivals, with the pairs that came between them.
pub(crate) enum Came {
    Arrival(Arrival),
    Pair(SyncPair),
    Pause,
}

/// What comes over a link that is told a few bytes at a time.
pub(crate) fn came(bytes: &mut Unstructured<'_>, period_s: f64) -> Vec<Came> {
    let mut all = Vec::new();
    let (mut at_s, mut rate_ppm, mut base_us, mut grid_us, mut scatter_us) = (0.0, 20.0, 5e3, 0.0, 0.0);
    let mut n = 0_u32;
    while !bytes.is_empty() && all.len() < MOST {
        let Ok(kind) = bytes.arbitrary::<u8>() else { break };
        let small = f64::from(bytes.arbitrary::<i16>().unwrap_or(0));
        match kind % 12 {
            0..=3 => {
                for _ in 0..=(kind >> 1) {
                    at_s += period_s;
                    n = n.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let wait = f64::from(n >> 16) / 65_536.0 * scatter_us;
                    let mut host_us = at_s * 1e6 + base_us + rate_ppm * at_s + wait;
                    if grid_us > 0.0 {
                        host_us = (host_us / grid_us).ceil() * grid_us;
                    }
                    let arrival = Arrival::new(at_s, host_us - at_s * 1e6);
                    all.push(Came::Arrival(arrival.behind(if n & 7 == 0 { 600.0 } else { 0.0 })));
                }
            }
            4 => at_s += small * 0.01,
            5 => base_us += small * 10.0,
            6 => {
                base_us += rate_ppm * at_s;
                rate_ppm = small * 0.02;
                base_us -= rate_ppm * at_s;
            }
            7 => grid_us = [0.0, 7_500.0, 15_000.0, 20_000.0, 100_000.0][usize::from(kind >> 4) % 5],
            8 => scatter_us = small.abs() * 4.0,
            9 => {
                let (middle, half) = (base_us + rate_ppm * at_s + small, f64::from(kind) * 20.0);
                all.push(Came::Pair(SyncPair {
                    at_s: at_s + if kind & 64 == 0 { 0.0 } else { small * 1e-3 },
                    low_us: (kind & 16 == 0).then_some(middle - half),
                    high_us: (kind & 32 == 0).then_some(middle + half),
                }));
            }
            10 => {
                // Far from anything, though still a number that a stamp can make.
                let residual_us = small * f64::from(bytes.arbitrary::<i32>().unwrap_or(0));
                all.push(Came::Arrival(Arrival::new(at_s, residual_us)));
            }
            _ => all.push(Came::Pause),
        }
    }
    all
}

fn asked(live: &Live) -> std::result::Result<Vec<(tickseam::placement::Knot, f64)>, crate::Broken> {
    let newest_s = live.newest_s();
    checks::finite("newest arrival and curvature", &[newest_s, live.curvature_ppm_per_s()])?;
    let mut all = Vec::new();
    for at_s in [newest_s, 0.0, newest_s - 30.0, newest_s + 0.5, newest_s + 3_600.0] {
        if let Some((knot, holdover_us)) = live.known_at(at_s) {
            checks::known(&knot, holdover_us)?;
            all.push((knot, holdover_us));
        }
    }
    if let Some(delay) = live.fixed_delay() {
        checks::uncertainties("fixed delay, µs", &[delay.u_us])?;
    }
    Ok(all)
}

/// A live estimator is fed what the bytes stand for, and copied at each pause.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    answers(bytes, &mut |_| ())
}

/// The same, and what it knows at each pause and at the end is told.
///
/// # Errors
/// The promise that was not kept.
pub fn answers(bytes: &[u8], told: &mut dyn FnMut(&dyn Debug)) -> Checked {
    let mut bytes = Unstructured::new(bytes);
    let Ok(setup) = setup(&mut bytes) else { return Ok(()) };
    let mut live = Live::new(setup);
    let mut copy = live.clone();
    for (place, came) in came(&mut bytes, setup.period_s).into_iter().enumerate() {
        match came {
            Came::Arrival(arrival) => {
                live.observe(arrival);
                copy.observe(arrival);
                if place % 16 == 0
                    && let Some((knot, holdover_us)) = live.known_at(arrival.device_s)
                {
                    checks::known(&knot, holdover_us)?;
                    told(&(knot, holdover_us));
                }
            }
            Came::Pair(pair) => {
                live.observe_pair(&pair);
                copy.observe_pair(&pair);
            }
            Came::Pause => {
                let all = asked(&live)?;
                told(&all);
                checks::same("what a copy knows", &all, &asked(&copy)?)?;
                copy = live.clone();
            }
        }
    }
    let all = asked(&live)?;
    told(&(&all, live.interval(), live.longest_wait_s(), live.is_congested(), live.off_nominal()));
    told(&(live.blocks_taken(), live.in_time_s(), live.packets_late(), live.rests_on_pairs()));
    checks::same("what a copy knows", &all, &asked(&copy)?)
}
