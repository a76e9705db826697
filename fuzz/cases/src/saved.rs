//! A session that is saved, carried off and restored, by its own bytes or by bytes of which one word was altered.
//!
//! Only what the header promises: what was altered by accident is refused, and nobody forges. One altered word can be told from all that
//! was saved by the sum; several at once might make a sum that fits, and be followed.

use tickseam::session::Session;
use tickseam_capi::{TICKSEAM_OK, TICKSEAM_SAVED_SIZE, TICKSEAM_SESSION_SIZE, tickseam_session_memory};

use crate::c_interface::Memory;
use crate::scene::{Scene, Step};
use crate::session::Watched;
use crate::{Checked, checks, holds};

/// What happens to the saved bytes.
#[derive(Clone, Copy, Debug)]
enum Carried {
    Whole,
    /// A word has other bits.
    Altered {
        word: usize,
        bits: u64,
    },
    /// So many bytes only.
    Short(usize),
}

/// A session is saved and restored at each pause, and asked what one that was not says.
pub(crate) fn run(bytes: &[u8]) -> Checked {
    let Some((plan, rest)) = bytes.split_at_checked(11) else { return Ok(()) };
    let mut bits = [0; 8];
    bits.copy_from_slice(&plan[3..11]);
    let bits = u64::from_le_bytes(bits);
    let word = usize::from(u16::from_le_bytes([plan[1], plan[2]])) % (TICKSEAM_SAVED_SIZE / 8);
    let carried = match plan[0] & 3 {
        0 | 1 => Carried::Whole,
        2 if bits != 0 => Carried::Altered { word, bits },
        _ => Carried::Short(usize::from(u16::from_le_bytes([plan[1], plan[2]])) % TICKSEAM_SAVED_SIZE),
    };
    let at = usize::from(plan[0] >> 5);
    let scene = Scene::of(rest);
    let known = &scene.known;
    let Some(mut one) = Watched::begun(known) else { return Ok(()) };
    let mut other = one.clone();
    let mut saves = 0;
    for step in &scene.steps {
        let answers = (one.take(known, step)?, other.take(known, step)?);
        checks::equal("an answer after being saved and restored", &answers.0, &answers.1)?;
        if matches!(step, Step::Pause) && saves < 8 {
            saves += 1;
            other.session = through(&other.session, carried, at)?;
            checks::same("all answers after being saved and restored", &one.all()?, &other.all()?)?;
        }
    }
    other.session = through(&other.session, carried, at)?;
    checks::same("all answers after being saved and restored", &one.all()?, &other.all()?)?;
    checks::same("counters", &one.session.counters(), &other.session.counters())
}

/// Saves at an offset of `at` bytes and restores; what was altered has to be refused, and is then restored as it was saved.
fn through(session: &Session<4>, carried: Carried, at: usize) -> Result<Session<4>, crate::Broken> {
    let written = tickseam_capi::saved(session);
    let mut saved = vec![0; at];
    saved.extend_from_slice(&written);
    let mut memory = Memory::poisoned();
    let refused = match carried {
        Carried::Whole => None,
        Carried::Altered { word, bits } => {
            let from = at + 8 * word;
            for (byte, flip) in saved[from..from + 8].iter_mut().zip(bits.to_le_bytes()) {
                *byte ^= flip;
            }
            Some(memory.restore(&saved[at..]))
        }
        Carried::Short(bytes) => Some(memory.restore(&saved[at..at + bytes])),
    };
    if let Some(status) = refused {
        holds!(status != TICKSEAM_OK, "{carried:?}: restored all the same");
        holds!(memory.is_poisoned(), "{carried:?}: refused by {status}, and yet written");
        saved.truncate(at);
        saved.extend_from_slice(&written);
    }
    let status = memory.restore(&saved[at..]);
    holds!(status == TICKSEAM_OK, "what was saved is refused by {status}");
    // SAFETY: the bytes are those that were saved: the altered ones are gone.
    let restored = unsafe { tickseam_capi::restored(&saved[at..]) };
    restored.map_err(|status| crate::Broken::new(format!("what was saved is refused by {status}")))
}

const _: () = assert!(size_of::<tickseam_session_memory>() == TICKSEAM_SESSION_SIZE);
