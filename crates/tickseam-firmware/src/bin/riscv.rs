//! The run on RISC-V, on QEMU's board virt: prints its sums.
#![no_std]
#![no_main]

use core::fmt::Write;
use core::ptr::{with_exposed_provenance_mut, write_volatile};

use riscv_rt::entry;
use tickseam_firmware::{Printer, Row, parts, session};

/// The board's serial port (NS16550A): the register that sends.
const SERIAL: usize = 0x1000_0000;
/// What ends the emulation (SiFive test finisher), and how.
const FINISHER: usize = 0x0010_0000;
const PASSED: u32 = 0x5555;
const FAILED: u32 = 0x0001_3333;

struct Serial;

impl Write for Serial {
    fn write_str(&mut self, text: &str) -> core::fmt::Result {
        for byte in text.bytes() {
            // SAFETY: a register of the board, which nothing else uses.
            unsafe { write_volatile(with_exposed_provenance_mut(SERIAL), byte) };
        }
        Ok(())
    }
}

fn end(how: u32) -> ! {
    // SAFETY: a register of the board, which nothing else uses.
    unsafe { write_volatile(with_exposed_provenance_mut(FINISHER), how) };
    loop {}
}

/// Where the program begins.
#[entry]
fn main() -> ! {
    let mut nobody = Printer(|_: &Row| {});
    for (by, sum) in [("parts", parts::run(&mut nobody)), ("session", session::run(&mut nobody))] {
        let Some(sum) = sum else { end(FAILED) };
        let _ = writeln!(Serial, "sum {by} {:016x}", sum.value());
    }
    end(PASSED)
}

#[panic_handler]
fn panicked(why: &core::panic::PanicInfo<'_>) -> ! {
    let _ = writeln!(Serial, "{why}");
    end(FAILED)
}
