//! Lays the library out for programs that use it.
use crate::tools::Done;
pub(crate) fn run(_options: &[&str]) -> Done {
    Ok(())
}
