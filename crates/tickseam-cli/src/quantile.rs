//! Quantiles, in one sense everywhere: the smallest value that so large a share of all does not exceed.

/// The quantile of values in rising order; `share` from 0 to 1. `None` where there are none.
pub(crate) fn of_sorted<T: Copy>(values: &[T], share: f64) -> Option<T> {
    let rank = (values.len() as f64 * share - 1e-9).ceil().max(1.0) as usize;
    values.get(rank - 1).copied()
}

/// The median of values in any order; `None` where there are none.
pub(crate) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    of_sorted(&values, 0.5)
}
