//! What the programs that are only measured for their size share.

use core::cell::UnsafeCell;
use core::hint::black_box;
use core::mem::MaybeUninit;

use tickseam::intake::PacketStamp;
use tickseam::placement::Placement;

/// Room for a state, outside the stack.
pub struct Place<T>(UnsafeCell<MaybeUninit<T>>);

// SAFETY: used by programs of one thread and without interrupts, once each.
unsafe impl<T> Sync for Place<T> {}

impl<T> Place<T> {
    /// Room, with nothing in it.
    #[expect(clippy::new_without_default, reason = "for statics")]
    pub const fn new() -> Self {
        Self(UnsafeCell::new(MaybeUninit::uninit()))
    }

    /// Puts the state where it stays. To be called once.
    #[expect(clippy::mut_from_ref, reason = "called once, by its contract")]
    pub fn begin(&self, state: Option<T>) -> Option<&mut T> {
        // SAFETY: called once, so that nobody else refers to it.
        state.map(|state| unsafe { (*self.0.get()).write(state) })
    }
}

/// A packet that the compiler knows nothing of.
pub fn packet() -> PacketStamp {
    black_box(PacketStamp { host_ns: 0, sequence: 0, tick: Some(0), samples: 0 })
}

/// A host stamp that the compiler knows nothing of.
pub fn event_ns() -> i64 {
    black_box(0)
}

/// Does something with a placement, as far as the compiler knows.
pub fn placed(placement: Option<Placement>) {
    black_box(placement);
}
