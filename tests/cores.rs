//! Work on all cores.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Does all of it on as many threads as there are cores; the answers in the order of the questions. Progress goes to standard error, if that
/// is a terminal.
///
/// # Panics
/// Where `each` does.
pub fn on_all_cores<In: Sync, Out: Send>(what: &[In], each: impl Fn(&In) -> Out + Sync) -> Vec<Out> {
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let results: Vec<Mutex<Option<Out>>> = what.iter().map(|_| Mutex::new(None)).collect();
    let shown = std::io::stderr().is_terminal();
    let work = || {
        while let Some((one, result)) = {
            let place = next.fetch_add(1, Ordering::Relaxed);
            what.get(place).zip(results.get(place))
        } {
            let out = each(one);
            *result.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = Some(out);
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            if shown {
                eprint!("\r{done} of {} ", what.len());
            }
        }
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 1..threads {
            scope.spawn(work);
        }
        work();
    });
    if shown {
        eprintln!();
    }
    let out = results.into_iter().filter_map(|result| result.into_inner().ok().flatten()).collect::<Vec<_>>();
    assert_eq!(out.len(), what.len(), "every recording was measured");
    out
}
