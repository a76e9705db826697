//! The run in WebAssembly: the sums, for whoever loads the module. A sum of 0 says that a run could not begin.
#![no_std]
#![no_main]

use tickseam_firmware::{Printer, Row, Sum, parts, session};

/// The sum by the parts.
#[unsafe(no_mangle)]
pub extern "C" fn sum_parts() -> u64 {
    parts::run(&mut Printer(|_: &Row| {})).map_or(0, Sum::value)
}

/// The sum by the session.
#[unsafe(no_mangle)]
pub extern "C" fn sum_session() -> u64 {
    session::run(&mut Printer(|_: &Row| {})).map_or(0, Sum::value)
}

#[panic_handler]
fn panicked(_: &core::panic::PanicInfo<'_>) -> ! {
    core::arch::wasm32::unreachable()
}
