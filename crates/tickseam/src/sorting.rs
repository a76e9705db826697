//! Order in lent memory, without recursion and without anything that could panic.

/// Gaps of the first steps (Ciura 2001), continued by 9/4.
const FIRST_GAPS: [usize; 9] = [1, 4, 10, 23, 57, 132, 301, 701, 1_750];

/// Shell's sort: `before` has to tell apart any two items, since equal ones may change places. Cost: one pass where the items are
/// in order, about n^1.3 at the worst.
pub(crate) fn sort<T: Copy>(items: &mut [T], before: &dyn Fn(&T, &T) -> bool) {
    let ordered = items.iter().zip(items.iter().skip(1)).all(|(a, b)| !before(b, a));
    if ordered {
        return;
    }
    let mut number = 0_usize;
    while gap(number.saturating_add(1)) < items.len() {
        number = number.saturating_add(1);
    }
    loop {
        pass(items, gap(number), before);
        match number.checked_sub(1) {
            Some(smaller) => number = smaller,
            None => return,
        }
    }
}

fn gap(number: usize) -> usize {
    match FIRST_GAPS.get(number) {
        Some(&gap) => gap,
        None => {
            let [.., mut gap] = FIRST_GAPS;
            for _ in FIRST_GAPS.len()..=number {
                gap = gap.saturating_mul(9) / 4;
            }
            gap
        }
    }
}

fn pass<T: Copy>(items: &mut [T], gap: usize, before: &dyn Fn(&T, &T) -> bool) {
    for start in gap..items.len() {
        let Some(&moved) = items.get(start) else { return };
        let mut place = start;
        while let Some(lower) = place.checked_sub(gap)
            && let Some(&earlier) = items.get(lower)
            && before(&moved, &earlier)
        {
            if let Some(slot) = items.get_mut(place) {
                *slot = earlier;
            }
            place = lower;
        }
        if let Some(slot) = items.get_mut(place) {
            *slot = moved;
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::sort;
    use std::vec::Vec;

    #[test]
    fn any_order_becomes_ascending() {
        for count in [0_u64, 1, 2, 3, 10, 100, 9_000] {
            let turned: Vec<u64> = (0..count).rev().collect();
            // 7919 is a prime that divides none of the counts: each number once.
            let mixed: Vec<u64> = (0..count).map(|n| n * 7_919 % count).collect();
            let ordered: Vec<u64> = (0..count).collect();
            for mut items in [turned, mixed, ordered.clone()] {
                sort(&mut items, &|a, b| a < b);
                assert_eq!(items, ordered);
            }
        }
    }
}
