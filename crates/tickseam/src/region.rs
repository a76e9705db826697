//! What is known of a clock at one instant: the convex set of (rate, offset) that no observation contradicts.
//!
//! An arrival is an inequality, not a measurement: it cuts a half-plane off. Time shears the set (a rate
//! error becomes an offset error) and the crystal's wander dilates it. Everything here is an outer bound: no
//! step removes a point that the observations allow, so that "more data never widens, and never excludes what
//! is true" holds by construction.

use heapless::Vec;

use crate::number::magnitude;

/// One corner of a region: a rate in parts per million and an offset in microseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    /// Host seconds gained per device second against the working line, in parts per million.
    pub rate_ppm: f64,
    /// Host time against the working line, in microseconds.
    pub offset_us: f64,
}

/// Corners kept between steps; more would sharpen the outer bound by well under a microsecond.
const KEPT: usize = 16;
/// Corners that a step may need before it is simplified: a cut adds one, a dilation four.
const CAPACITY: usize = 24;
/// Share of a region's extent that rounding moves its corners by, many times over.
const ROUNDED: f64 = 1e-10;

/// A convex polygon of feasible (rate, offset), counter-clockwise.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    corners: Vec<Corner, CAPACITY>,
}

/// Centre and spread of a region under a uniform density.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moments {
    /// Area in ppm · µs.
    pub area: f64,
    /// Rate at the centroid, ppm.
    pub rate_ppm: f64,
    /// Offset at the centroid, µs.
    pub offset_us: f64,
    /// Variance of the rate, ppm².
    pub rate_variance: f64,
    /// Variance of the offset, µs².
    pub offset_variance: f64,
    /// Covariance of rate and offset, ppm · µs.
    pub covariance: f64,
}

/// Which side of a line a cut keeps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// Offsets at or below the bound: an arrival's upper bound.
    Below,
    /// Offsets at or above the bound.
    Above,
}

impl Region {
    /// The box of rates within `rate_ppm` of `rate_centre_ppm` and offsets from `low_us` to `high_us`.
    pub fn rectangle(rate_centre_ppm: f64, rate_ppm: f64, low_us: f64, high_us: f64) -> Self {
        let (left, right) = (rate_centre_ppm - rate_ppm, rate_centre_ppm + rate_ppm);
        let mut corners = Vec::new();
        for (rate_ppm, offset_us) in [(left, low_us), (right, low_us), (right, high_us), (left, high_us)] {
            // The capacity holds four.
            let _ = corners.push(Corner { rate_ppm, offset_us });
        }
        Self { corners }
    }

    /// The corners, counter-clockwise.
    pub fn corners(&self) -> &[Corner] {
        &self.corners
    }

    /// The region `dt_s` seconds of device time later (earlier if negative), before any new wander is allowed for.
    pub fn shear(&mut self, dt_s: f64) {
        for corner in &mut self.corners {
            corner.offset_us += corner.rate_ppm * dt_s;
        }
    }

    /// Gives way by `rate_ppm` and `offset_us` on every side: what is done when the observations refute the region.
    pub fn open(&mut self, rate_ppm: f64, offset_us: f64) {
        self.sweep(rate_ppm, 0.0);
        self.sweep(0.0, offset_us);
        self.simplify();
    }

    /// Allows for a rate that changed by at most `curvature_ppm_per_s` over the last `dt_s` seconds (negative:
    /// the region was carried backwards). An outer bound of all the (rate, offset) that can be reached.
    pub fn dilate(&mut self, curvature_ppm_per_s: f64, dt_s: f64) {
        let rate = curvature_ppm_per_s * dt_s;
        self.sweep(rate, rate * dt_s / 2.0);
        self.sweep(0.0, rate * dt_s / 4.0);
        self.simplify();
    }

    /// Minkowski sum with the segment from −(rate, offset) to +(rate, offset): the outline is cut at the corners that lie
    /// farthest across the segment, and its two parts move apart. Rounding can only choose these corners badly, and
    /// never lead round the outline twice.
    fn sweep(&mut self, rate: f64, offset: f64) {
        let Some(first) = self.corners.first().copied() else { return };
        let across =
            |c: &Corner| (c.offset_us - first.offset_us) * rate - (c.rate_ppm - first.rate_ppm) * offset;
        let (mut least, mut greatest) = (0.0, 0.0);
        let (mut lowest, mut highest) = (0_usize, 0_usize);
        for (i, corner) in self.corners.iter().enumerate() {
            let height = across(corner);
            if height < least {
                (least, lowest) = (height, i);
            }
            if height > greatest {
                (greatest, highest) = (height, i);
            }
        }
        if lowest == highest {
            return;
        }
        let mut swept: Vec<Corner, CAPACITY> = Vec::new();
        let mut ahead = if lowest < highest { -1.0 } else { 1.0 };
        for (i, corner) in self.corners.iter().enumerate() {
            let mut push = |sign: f64| {
                // KEPT + 4 corners at the most: two more for each of two sweeps.
                let _ = swept.push(Corner {
                    rate_ppm: corner.rate_ppm + sign * rate,
                    offset_us: corner.offset_us + sign * offset,
                });
            };
            push(ahead);
            if i == lowest || i == highest {
                ahead = if i == lowest { 1.0 } else { -1.0 };
                push(ahead);
            }
        }
        self.corners = swept;
    }

    /// Cuts off what contradicts a bound on the offset at `dx_s` seconds from the region's instant:
    /// keeps `offset + rate · dx ≤ bound` (or ≥). Returns false, and leaves the region alone, if nothing were left.
    pub fn cut(&mut self, dx_s: f64, bound_us: f64, keep: Keep) -> bool {
        self.cut_where(|c| {
            let over = c.offset_us + c.rate_ppm * dx_s - bound_us;
            match keep {
                Keep::Below => over,
                Keep::Above => -over,
            }
        })
    }

    /// Cuts off rates farther than `half_ppm` from `centre_ppm`. Returns false, and leaves the region alone, if
    /// nothing were left.
    pub fn cut_rates(&mut self, centre_ppm: f64, half_ppm: f64) -> bool {
        let (least, greatest) = self.rate_range();
        (greatest <= centre_ppm + half_ppm || self.cut_where(|c| c.rate_ppm - centre_ppm - half_ppm))
            && (least >= centre_ppm - half_ppm || self.cut_where(|c| centre_ppm - half_ppm - c.rate_ppm))
    }

    /// Keeps the corners, and the crossings between them, where `excess`, a linear function, is not positive.
    fn cut_where(&mut self, excess: impl Fn(&Corner) -> f64) -> bool {
        let mut kept: Vec<Corner, CAPACITY> = Vec::new();
        let Some(mut before) = self.corners.last() else { return false };
        let mut excess_before = excess(before);
        for corner in &self.corners {
            let excess_here = excess(corner);
            if (excess_before > 0.0) != (excess_here > 0.0) {
                let share = excess_before / (excess_before - excess_here);
                let crossing = Corner {
                    rate_ppm: before.rate_ppm + share * (corner.rate_ppm - before.rate_ppm),
                    offset_us: before.offset_us + share * (corner.offset_us - before.offset_us),
                };
                let _ = kept.push(crossing);
            }
            if excess_here <= 0.0 {
                let _ = kept.push(*corner);
            }
            before = corner;
            excess_before = excess_here;
        }
        if kept.len() < 3 {
            return false;
        }
        self.corners = kept;
        self.simplify();
        true
    }

    /// Drops the corners at which the outline does not turn left, because they coincide with another or by rounding: they
    /// add nothing to a convex region, and would mislead whatever looks at the edges beside them. Begins at the lowest
    /// corner, which is a true one whatever the rounding.
    fn tidy(&mut self) {
        let mut lowest: Option<(usize, Corner)> = None;
        for (i, corner) in self.corners.iter().enumerate() {
            let below = |l: &Corner| (corner.offset_us, corner.rate_ppm) < (l.offset_us, l.rate_ppm);
            if lowest.as_ref().is_none_or(|(_, l)| below(l)) {
                lowest = Some((i, *corner));
            }
        }
        let Some((i, start)) = lowest else { return };
        // The lesser one is `i`; said so that no panic is left in the library.
        let i = i.min(self.corners.len());
        self.corners.rotate_left(i);
        loop {
            let mut kept: Vec<Corner, CAPACITY> = Vec::new();
            let _ = kept.push(start);
            let mut before = start;
            let rest = self.corners.iter().skip(1);
            for (corner, next) in rest.clone().zip(rest.skip(1).chain([&start])) {
                let (ux, uy) = (corner.rate_ppm - before.rate_ppm, corner.offset_us - before.offset_us);
                let (wx, wy) = (next.rate_ppm - corner.rate_ppm, next.offset_us - corner.offset_us);
                if ux * wy - uy * wx > 0.0 || ux * wx + uy * wy < 0.0 {
                    let _ = kept.push(*corner);
                    before = *corner;
                }
            }
            if kept.len() < 3 || kept.len() == self.corners.len() {
                return;
            }
            self.corners = kept;
        }
    }

    /// Drops edges until at most [`KEPT`] are left, each time the one whose loss adds the least area.
    fn simplify(&mut self) {
        self.tidy();
        if self.corners.len() <= KEPT {
            return;
        }
        // What the loss of the edge after next to each corner adds.
        let mut added: Vec<f64, CAPACITY> = Vec::new();
        for i in 0..self.corners.len() {
            let _ = added.push(self.added_without(i));
        }
        while self.corners.len() > KEPT {
            let mut least = (f64::INFINITY, 0);
            for (i, &area) in added.iter().enumerate() {
                if area < least.0 {
                    least = (area, i);
                }
            }
            let (area, i) = least;
            let Some((_, corner)) = self.without_edge_after(i).filter(|_| area < f64::INFINITY) else {
                return;
            };
            // Edge b–c goes: b becomes the crossing of its neighbours, c is removed.
            let n = self.corners.len();
            let (b, c) = (around(i.saturating_add(1), n), around(i.saturating_add(2), n));
            if let Some(slot) = self.corners.get_mut(b) {
                *slot = corner;
            }
            drop_at(&mut self.corners, c);
            drop_at(&mut added, c);
            // The four stretches of four corners that b lies in.
            let n = self.corners.len();
            let b = if c < b { b.saturating_sub(1) } else { b };
            for back in 0..4 {
                let start = around(b.saturating_add(n).saturating_sub(back), n);
                let area = self.added_without(start);
                if let Some(slot) = added.get_mut(start) {
                    *slot = area;
                }
            }
        }
    }

    /// Area that the loss of the edge after next to a corner adds, ppm · µs; infinity where it cannot go.
    fn added_without(&self, start: usize) -> f64 {
        self.without_edge_after(start).map_or(f64::INFINITY, |(area, _)| area)
    }

    /// What [`extension`] says of the four corners from `start` on.
    #[inline(never)]
    fn without_edge_after(&self, start: usize) -> Option<(f64, Corner)> {
        let n = self.corners.len();
        let at = |steps: usize| self.corners.get(around(start.saturating_add(steps), n)).copied();
        extension(at(0)?, at(1)?, at(2)?, at(3)?)
    }

    /// Least and greatest offset, µs.
    pub fn offset_range(&self) -> (f64, f64) {
        self.range(|c| c.offset_us)
    }

    /// How much of the offset is open, µs.
    pub fn height_us(&self) -> f64 {
        let (low_us, high_us) = self.offset_range();
        high_us - low_us
    }

    /// Least and greatest rate, ppm.
    pub fn rate_range(&self) -> (f64, f64) {
        self.range(|c| c.rate_ppm)
    }

    /// Least and greatest offset `dx_s` seconds away, before any wander, µs.
    pub fn offset_range_at(&self, dx_s: f64) -> (f64, f64) {
        self.range(|c| c.offset_us + c.rate_ppm * dx_s)
    }

    fn range(&self, value: impl Fn(&Corner) -> f64) -> (f64, f64) {
        let mut range = (f64::INFINITY, f64::NEG_INFINITY);
        for corner in &self.corners {
            let v = value(corner);
            if v < range.0 {
                range.0 = v;
            }
            if v > range.1 {
                range.1 = v;
            }
        }
        range
    }

    /// Area, ppm · µs.
    pub fn area(&self) -> f64 {
        let Some(first) = self.corners.first() else { return 0.0 };
        let from = |c: &Corner| (c.rate_ppm - first.rate_ppm, c.offset_us - first.offset_us);
        let pairs = self.corners.iter().zip(self.corners.iter().skip(1));
        let twice: f64 = pairs
            .map(|(p, q)| {
                let ((px, py), (qx, qy)) = (from(p), from(q));
                px * qy - qx * py
            })
            .sum();
        twice / 2.0
    }

    /// Area, centroid and second moments under a uniform density. A sliver without area gives the mean of its
    /// corners and the variance of a uniform density over its ranges.
    pub fn moments(&self) -> Moments {
        let n = number_of(&self.corners);
        if self.corners.is_empty() {
            return Moments::default();
        }
        let mut middle = Corner { rate_ppm: 0.0, offset_us: 0.0 };
        for c in &self.corners {
            middle.rate_ppm += c.rate_ppm / n;
            middle.offset_us += c.offset_us / n;
        }
        let mut sums = [0.0_f64; 6];
        let next = self.corners.iter().skip(1).chain(self.corners.first());
        for (p, q) in self.corners.iter().zip(next) {
            let (px, py) = (p.rate_ppm - middle.rate_ppm, p.offset_us - middle.offset_us);
            let (qx, qy) = (q.rate_ppm - middle.rate_ppm, q.offset_us - middle.offset_us);
            let twice = px * qy - qx * py;
            let parts = [
                twice / 2.0,
                twice * (px + qx) / 6.0,
                twice * (py + qy) / 6.0,
                twice * (px * px + px * qx + qx * qx) / 12.0,
                twice * (py * py + py * qy + qy * qy) / 12.0,
                twice * (2.0 * px * py + 2.0 * qx * qy + px * qy + qx * py) / 24.0,
            ];
            for (sum, part) in sums.iter_mut().zip(parts) {
                *sum += part;
            }
        }
        let [area, sx, sy, sxx, syy, sxy] = sums;
        let (rates, offsets) = (self.rate_range(), self.offset_range());
        let (rate_width, offset_width) = (rates.1 - rates.0, offsets.1 - offsets.0);
        if area <= 1e-9 * rate_width * offset_width || area.is_nan() {
            return Moments {
                area: 0.0,
                rate_ppm: middle.rate_ppm,
                offset_us: middle.offset_us,
                rate_variance: rate_width * rate_width / 12.0,
                offset_variance: offset_width * offset_width / 12.0,
                covariance: 0.0,
            };
        }
        let (cx, cy) = (sx / area, sy / area);
        let positive = |v: f64| if v > 0.0 { v } else { 0.0 };
        Moments {
            area,
            rate_ppm: middle.rate_ppm + cx,
            offset_us: middle.offset_us + cy,
            rate_variance: positive(sxx / area - cx * cx),
            offset_variance: positive(syy / area - cy * cy),
            covariance: sxy / area - cx * cy,
        }
    }

    /// The part that both regions allow, or `None` if they contradict each other.
    pub fn intersection(&self, other: &Self) -> Option<Self> {
        let mut result = self.clone();
        let next = other.corners.iter().skip(1).chain(other.corners.first());
        let ((low, high), (slow, fast)) = (other.offset_range(), other.rate_range());
        let (short_ppm, short_us) = (ROUNDED * (fast - slow), ROUNDED * (high - low));
        for (p, q) in other.corners.iter().zip(next) {
            let (dx, dy) = (q.rate_ppm - p.rate_ppm, q.offset_us - p.offset_us);
            if magnitude(dx) <= short_ppm && magnitude(dy) <= short_us {
                // Corners that rounding has told apart: which way the one lies from the other means nothing.
                continue;
            }
            let inside = |c: &Corner| dx * (c.offset_us - p.offset_us) - dy * (c.rate_ppm - p.rate_ppm);
            if !result.cut_where(|c| -inside(c)) {
                return None;
            }
        }
        Some(result)
    }
}

fn number_of(corners: &[Corner]) -> f64 {
    crate::number::count(corners.len())
}

/// Place `i` of `n` that follow each other in a ring; `i` less than `2 n`.
const fn around(i: usize, n: usize) -> usize {
    if i < n { i } else { i.saturating_sub(n) }
}

/// Removes what stands at a place.
fn drop_at<T>(list: &mut Vec<T, CAPACITY>, place: usize) {
    let mut at = 0_usize;
    list.retain(|_| {
        let stays = at != place;
        at = at.saturating_add(1);
        stays
    });
}

/// Where the edges a–b and d–c, prolonged beyond b and c, meet, and the area that this adds; `None` if they never do.
fn extension(a: Corner, b: Corner, c: Corner, d: Corner) -> Option<(f64, Corner)> {
    let (ux, uy) = (b.rate_ppm - a.rate_ppm, b.offset_us - a.offset_us);
    let (vx, vy) = (c.rate_ppm - d.rate_ppm, c.offset_us - d.offset_us);
    let (wx, wy) = (c.rate_ppm - b.rate_ppm, c.offset_us - b.offset_us);
    // b + s·u = c + t·v with s, t ≥ 0.
    let cross = ux * vy - uy * vx;
    if cross == 0.0 {
        return None;
    }
    let s = (wx * vy - wy * vx) / cross;
    let t = (wx * uy - wy * ux) / cross;
    let ahead = s >= 0.0 && t >= 0.0 && s.is_finite() && t.is_finite();
    if !ahead {
        return None;
    }
    let corner = Corner { rate_ppm: b.rate_ppm + s * ux, offset_us: b.offset_us + s * uy };
    let area = s * (ux * wy - uy * wx) / 2.0;
    Some((if area < 0.0 { -area } else { area }, corner))
}

#[cfg(test)]
mod tests;
