//! The run on a Cortex-M, on the boards mps2-an385 and mps2-an386: prints its rows and sums, and what the calls take.
#![no_std]
#![no_main]

mod measure {
    //! Instructions and stack that a call takes.

    use core::arch::asm;
    use core::ptr::{read_volatile, with_exposed_provenance_mut, write_volatile};

    /// Timer 0 of the board (CMSDK APB timer): control, value and reload. It counts down at 25 MHz.
    const TIMER: usize = 0x4000_0000;
    /// An emulated instruction takes 2^10 ns (`-icount shift=10`), and a tick 40 ns: 25.6 ticks, of which five are 128.
    const TICKS: u64 = 128;
    const TICKS_OF: u64 = 5;
    /// Bytes that are painted below a call; a call that takes all of them says so.
    pub(crate) const PAINTED: usize = 96 * 1024;
    const PAINT: u32 = 0xA5C3_3CA5;
    /// Calls that are counted.
    const CALLS: usize = 6_400;

    fn register(offset: usize) -> *mut u32 {
        with_exposed_provenance_mut(TIMER + offset)
    }

    pub(crate) fn start_timer() {
        for (offset, value) in [(8, u32::MAX), (4, u32::MAX), (0, 1)] {
            // SAFETY: a register of the board's timer, which nothing else uses.
            unsafe { write_volatile(register(offset), value) };
        }
    }

    fn ticks() -> u32 {
        // SAFETY: as in `start_timer`.
        unsafe { read_volatile(register(4)) }
    }

    /// Nothing of the call is taken into its caller.
    #[inline(never)]
    fn called<R>(call: impl FnOnce() -> R) -> R {
        call()
    }

    /// What a call answers, and the instructions from before it to after it.
    #[inline(never)]
    fn timed<R>(call: impl FnOnce() -> R) -> (R, u64) {
        let before = ticks();
        let answer = called(call);
        let taken = u64::from(before.wrapping_sub(ticks()));
        (answer, (taken * TICKS_OF + TICKS / 2) / TICKS)
    }

    /// Instructions of a call that does nothing.
    fn of_nothing() -> u64 {
        timed(|| ()).1
    }

    /// Instructions that a call of a thousand is found to have: the control.
    pub(crate) fn of_a_thousand() -> u64 {
        // SAFETY: a thousand instructions that do nothing.
        timed(|| unsafe { asm!(".rept 1000", "nop", ".endr") }).1 - of_nothing()
    }

    fn stack_pointer() -> usize {
        let at: usize;
        // SAFETY: reads a register.
        unsafe { asm!("mov {}, sp", out(reg) at, options(nomem, nostack, preserves_flags)) };
        at
    }

    /// What a call answers, and the bytes from its caller's frame down to the lowest word that it changed.
    #[inline(never)]
    fn stacked<R>(call: impl FnOnce() -> R) -> (R, usize) {
        let top = stack_pointer();
        let lowest = top - PAINTED;
        paint(lowest);
        let answer = called(call);
        let mut at = lowest;
        // SAFETY: the stack below this frame, painted before; the board has megabytes of it.
        while at < top && unsafe { read_volatile(with_exposed_provenance_mut::<u32>(at)) } == PAINT {
            at += size_of::<u32>();
        }
        (answer, top - at)
    }

    /// Paints the stack from an address up to its own frame.
    #[inline(never)]
    fn paint(lowest: usize) {
        // SAFETY: below the stack pointer, where nothing lies: no interrupt is enabled, and nothing is called here.
        unsafe {
            asm!(
                "2:",
                "cmp {at}, sp",
                "bhs 3f",
                "str {paint}, [{at}]",
                "adds {at}, #4",
                "b 2b",
                "3:",
                at = inout(reg) lowest => _,
                paint = in(reg) PAINT,
                options(nostack)
            );
        }
    }

    /// Instructions of each call of one kind.
    pub(crate) struct Counts {
        values: [u32; CALLS],
        calls: usize,
    }

    impl Counts {
        fn take(&mut self, count: u64) {
            self.values[self.calls] = u32::try_from(count).unwrap_or(u32::MAX);
            self.calls += 1;
        }

        /// Median, 99th percentile and greatest.
        pub(crate) fn ordered(&mut self) -> [u32; 3] {
            let values = &mut self.values[..self.calls];
            values.sort_unstable();
            let last = values.len() - 1;
            [values[last / 2], values[last * 99 / 100], values[last]]
        }
    }

    /// Counts the instructions of the calls of a run.
    pub(crate) struct Timing {
        nothing: u64,
        pub(crate) observe: Counts,
        pub(crate) place: Counts,
    }

    impl Timing {
        pub(crate) fn new() -> Self {
            let none = || Counts { values: [0; CALLS], calls: 0 };
            Self { nothing: of_nothing(), observe: none(), place: none() }
        }
    }

    impl tickseam_firmware::Watcher for Timing {
        fn observe<R>(&mut self, call: impl FnOnce() -> R) -> R {
            let (answer, count) = timed(call);
            self.observe.take(count - self.nothing);
            answer
        }

        fn place<R>(&mut self, call: impl FnOnce() -> R) -> R {
            let (answer, count) = timed(call);
            self.place.take(count - self.nothing);
            answer
        }

        fn row(&mut self, _: &tickseam_firmware::Row) {}
    }

    /// Finds the deepest stack of the calls of a run, bytes.
    #[derive(Default)]
    pub(crate) struct Stack {
        pub(crate) begin: usize,
        pub(crate) observe: usize,
        pub(crate) place: usize,
    }

    impl tickseam_firmware::Watcher for Stack {
        fn begin<R>(&mut self, call: impl FnOnce() -> R) -> R {
            let (answer, depth) = stacked(call);
            self.begin = self.begin.max(depth);
            answer
        }

        fn observe<R>(&mut self, call: impl FnOnce() -> R) -> R {
            let (answer, depth) = stacked(call);
            self.observe = self.observe.max(depth);
            answer
        }

        fn place<R>(&mut self, call: impl FnOnce() -> R) -> R {
            let (answer, depth) = stacked(call);
            self.place = self.place.max(depth);
            answer
        }

        fn row(&mut self, _: &tickseam_firmware::Row) {}
    }
}

use cortex_m_rt::{ExceptionFrame, entry, exception};
use cortex_m_semihosting::{debug, hprintln};
use measure::{PAINTED, Stack, Timing};
use tickseam_firmware::{Printer, Row, Sum, Watcher, parts, session};

/// A run, to be made with any watcher.
trait Run {
    const BY: &'static str;
    fn run(watcher: &mut impl Watcher) -> Option<Sum>;
}

struct Parts;
struct Session;

impl Run for Parts {
    const BY: &'static str = "parts";
    fn run(watcher: &mut impl Watcher) -> Option<Sum> {
        parts::run(watcher)
    }
}

impl Run for Session {
    const BY: &'static str = "session";
    fn run(watcher: &mut impl Watcher) -> Option<Sum> {
        session::run(watcher)
    }
}

/// The same sum, however it was watched; prints what was measured.
fn measured<R: Run>(sum: Sum) {
    let by = R::BY;
    hprintln!("sum {} {:016x}", by, sum.value());
    let mut timing = Timing::new();
    assert!(R::run(&mut timing) == Some(sum), "the timed run answered otherwise");
    for (what, counts) in [("observe", &mut timing.observe), ("place", &mut timing.place)] {
        let [median, p99, most] = counts.ordered();
        hprintln!("measured {}.{}_instructions_median {}", by, what, median);
        hprintln!("measured {}.{}_instructions_p99 {}", by, what, p99);
        hprintln!("measured {}.{}_instructions_most {}", by, what, most);
    }
    let mut stack = Stack::default();
    assert!(R::run(&mut stack) == Some(sum), "the run on painted stack answered otherwise");
    for (what, depth) in [("begin", stack.begin), ("observe", stack.observe), ("place", stack.place)] {
        assert!(depth < PAINTED, "all of the painted stack was used");
        hprintln!("measured {}.{}_stack_bytes {}", by, what, depth);
    }
}

#[entry]
fn main() -> ! {
    measure::start_timer();
    let mut printer = Printer(|row: &Row| hprintln!("{}", row));
    let (parts, session) = (Parts::run(&mut printer), Session::run(&mut printer));
    hprintln!("control {}", measure::of_a_thousand());
    if let (Some(parts), Some(session)) = (parts, session) {
        measured::<Parts>(parts);
        measured::<Session>(session);
        debug::exit(debug::EXIT_SUCCESS);
    }
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

#[exception]
unsafe fn HardFault(frame: &ExceptionFrame) -> ! {
    hprintln!("{:?}", frame);
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

#[panic_handler]
fn panicked(why: &core::panic::PanicInfo<'_>) -> ! {
    hprintln!("{}", why);
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}
