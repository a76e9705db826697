//! The least program that takes packets in and places events by the parts, to see how much flash and memory it takes. It is not run.
#![no_std]
#![no_main]

use cortex_m_rt::entry;
use tickseam_firmware::parts::Parts;
use tickseam_firmware::{LATENCY, footprint};

static STATE: footprint::Place<Parts> = footprint::Place::new();

#[entry]
fn main() -> ! {
    let Some(parts) = STATE.begin(Parts::new()) else { loop {} };
    loop {
        let _ = core::hint::black_box(parts.observe(footprint::packet()));
        footprint::placed(parts.place(footprint::event_ns(), LATENCY).map(|(_, placement)| placement));
    }
}

#[panic_handler]
fn panicked(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}
