//! The run through intake and live estimator alone, put together as an app on a small chip would: the least state, but packets whose
//! place is known only later are left out, and nobody looks whether the host's clock was set.

use tickseam::filter::WIDEST_CURVATURE;
use tickseam::frame::Frame;
use tickseam::intake::{DeviceClock, Intake, Intaken, PacketStamp};
use tickseam::live::Live;
use tickseam::placement::{Placement, Placing, Shift};
use tickseam::setup::Setup;

use crate::answers::{NUMBERS, bits};
use crate::packets::{Packets, event_ns};
use crate::{EVENT_EACH, FIXED_DELAY, LATENCY, Row, STREAM, Sum, TICK_BITS, TICK_HZ, TOLERANCE_PPM, Watcher};

const SETUP: Setup =
    Setup { resolution_us: 1.0, fixed_delay: Some(FIXED_DELAY), ..Setup::new(TOLERANCE_PPM, 0.031_25) };

/// Intake and estimator of one device with one stream.
#[derive(Clone, Debug)]
pub struct Parts {
    intake: Intake<1>,
    live: Live,
    origin: Option<(u32, Frame)>,
}

impl Parts {
    /// Has seen nothing yet; `None` if the configuration cannot be.
    pub fn new() -> Option<Self> {
        let clock = DeviceClock { tick_hz: TICK_HZ, tick_bits: TICK_BITS, tolerance_ppm: TOLERANCE_PPM };
        let intake = Intake::new(clock, &[STREAM]).ok()?;
        Some(Self { intake, live: Live::new(SETUP), origin: None })
    }

    /// Takes a packet in.
    pub fn observe(&mut self, stamp: PacketStamp) -> Intaken {
        let intaken = self.intake.observe(0, stamp);
        if let Some(at) = intaken.resolved {
            let here =
                Frame { device_origin: at.device, counts_per_s: TICK_HZ, host_origin_ns: stamp.host_ns };
            let (segment, frame) = *self.origin.get_or_insert((at.segment, here));
            if at.segment > segment {
                self.origin = Some((at.segment, here));
                self.live = Live::new(SETUP);
                self.live.observe(here.arrival(at.device, stamp.host_ns));
            } else if at.segment == segment {
                self.live.observe(frame.arrival(at.device, stamp.host_ns));
            }
        }
        intaken
    }

    /// Places an event: segment and place.
    pub fn place(&self, host_ns: i64, latency: Shift) -> Option<(u32, Placement)> {
        let (segment, frame) = self.origin?;
        let placing = Placing {
            frame,
            fixed_delay: FIXED_DELAY,
            resolution_us: SETUP.resolution_us,
            curvature_ppm_per_s: WIDEST_CURVATURE,
        };
        let known = |at_s: f64| self.live.known_at(at_s).unwrap_or_default();
        Some((segment, placing.place(host_ns, latency, known)))
    }
}

/// What a placement says, as bits.
pub(crate) fn numbers(placement: &Placement) -> [u64; NUMBERS] {
    let Placement { device_s, u_us, u95_us, budget } = *placement;
    [
        device_s,
        u_us,
        u95_us,
        budget.link_us,
        budget.statistics_us,
        budget.lattice_us,
        budget.curvature_us,
        budget.holdover_us,
    ]
    .map(bits)
}

/// The whole run; `None` if it cannot begin.
pub fn run(watcher: &mut impl Watcher) -> Option<Sum> {
    let mut parts = watcher.begin(Parts::new)?;
    let mut sum = Sum::default();
    for (received, stamp) in (1_u32..).zip(Packets::default()) {
        sum.intaken(&watcher.observe(|| parts.observe(stamp)));
        if received % EVENT_EACH != 0 {
            continue;
        }
        let event = received / EVENT_EACH;
        // At times nobody knows the latency's uncertainty: NaNs have to come out alike, too.
        let latency = if event % 10 == 9 { Shift { u_us: f64::NAN, ..LATENCY } } else { LATENCY };
        let placed = watcher.place(|| parts.place(event_ns(&stamp, event), latency));
        let row = Row {
            by: "parts",
            packets: received,
            segment: placed.map(|(segment, _)| segment),
            numbers: placed.map_or([0; NUMBERS], |(_, placement)| numbers(&placement)),
        };
        sum.row(&row);
        watcher.row(&row);
    }
    Some(sum)
}
