//! The same by the session: see `footprint-parts`.
#![no_std]
#![no_main]

use cortex_m_rt::entry;
use tickseam::session::Session;
use tickseam_firmware::session::CONFIG;
use tickseam_firmware::{LATENCY, footprint};

static STATE: footprint::Place<Session<1>> = footprint::Place::new();

#[entry]
fn main() -> ! {
    let Some(session) = STATE.begin(Session::new(&CONFIG).ok()) else { loop {} };
    loop {
        let _ = core::hint::black_box(session.observe_packet(0, footprint::packet()));
        footprint::placed(session.place(footprint::event_ns(), LATENCY).map(|placed| placed.placement));
    }
}

#[panic_handler]
fn panicked(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}
