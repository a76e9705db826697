//! The C interface over the core: `include/tickseam.h` is generated from here and is the manual.
//!
//! Every call checks its pointers, then sizes, then values, does its work in the core and writes its outputs last.
#![no_std]
#![expect(non_camel_case_types, reason = "the names are those of the header")]

mod arguments;
mod map;
mod replay;
mod session;
mod status;
mod types;

pub use map::*;
pub use replay::*;
pub use session::*;
pub use status::*;
pub use types::*;

#[cfg(all(feature = "bare", not(feature = "panic-audit")))]
#[panic_handler]
fn stop(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {
        core::hint::spin_loop();
    }
}

/// Calls a symbol that does not exist: a reachable panic breaks the link.
#[cfg(feature = "panic-audit")]
#[panic_handler]
fn break_the_link(_: &core::panic::PanicInfo<'_>) -> ! {
    unsafe extern "C" {
        fn tickseam_a_panic_is_reachable() -> !;
    }
    // SAFETY: never linked, so never called.
    unsafe { tickseam_a_panic_is_reachable() }
}

/// Panics where `place` is out of range: the audit has to see it.
///
/// # Safety
/// `values` holds 4 values.
#[cfg(feature = "panic-control")]
#[unsafe(no_mangle)]
#[expect(clippy::indexing_slicing, reason = "the panic that the audit has to see")]
pub unsafe extern "C" fn tickseam_panic_control(values: *const [u32; 4], place: usize) -> u32 {
    // SAFETY: promised by the caller.
    unsafe { (*values)[place] }
}
