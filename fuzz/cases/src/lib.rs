//! What has to hold for any input: once, for the fuzzers in `fuzz/targets` and for plain tests.
//!
//! A [`Case`] turns bytes into calls and asks [`checks`] about each answer. [`checks`] knows nothing of bytes: it looks at answers, so that
//! a test can hand it a broken one and see that it says so.

use std::fmt;

mod c_interface;
mod c_replay;
pub mod checks;
pub mod live;
mod readers;
pub mod replayed;
mod saved;
pub mod scene;
pub mod session;

/// A promise that was not kept: what was promised, and what came instead.
pub struct Broken(String);

impl Broken {
    /// What was promised and what came instead, in words.
    pub fn new(words: impl Into<String>) -> Self {
        Self(words.into())
    }
}

impl fmt::Display for Broken {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.0)
    }
}

impl fmt::Debug for Broken {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.0)
    }
}

/// Whether the promises were kept.
pub type Checked = Result<(), Broken>;

/// Breaks off with words where a promise is not kept.
macro_rules! holds {
    ($promise:expr, $($words:tt)+) => {
        let kept: bool = $promise;
        if !kept {
            return Err($crate::Broken::new(format!($($words)+)));
        }
    };
}
pub(crate) use holds;

/// One way from bytes to calls, with the promises that their answers have to keep.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    /// The name of its fuzz target, and of the folder of its corpus.
    pub name: &'static str,
    /// Makes the calls that the bytes stand for and checks the answers.
    pub run: fn(&[u8]) -> Checked,
}

/// All of them.
pub const CASES: [Case; 10] = [
    Case { name: "session", run: session::run },
    Case { name: "live", run: live::run },
    Case { name: "replayed", run: replayed::run },
    Case { name: "c_interface", run: c_interface::run },
    Case { name: "saved", run: saved::run },
    Case { name: "descriptions", run: readers::descriptions::run },
    Case { name: "tables", run: readers::tables::run },
    Case { name: "captures", run: readers::captures::run },
    Case { name: "arrays", run: readers::arrays::run },
    Case { name: "parquet", run: readers::parquet::run },
];

/// Runs the case of a name.
///
/// # Errors
/// The promise that was not kept.
///
/// # Panics
/// Where there is no case of that name.
pub fn run(name: &str, bytes: &[u8]) -> Checked {
    let case = CASES.iter().find(|case| case.name == name);
    (case.unwrap_or_else(|| panic!("no case is called {name:?}")).run)(bytes)
}
