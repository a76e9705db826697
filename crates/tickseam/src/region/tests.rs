#![allow(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    reason = "a test stops at the first surprise, and its numbers are small"
)]
extern crate std;
use super::*;
use std::vec::Vec as List;

fn polygon(corners: &[(f64, f64)]) -> Region {
    let corners = corners.iter().map(|&(rate_ppm, offset_us)| Corner { rate_ppm, offset_us }).collect();
    Region { corners }
}

#[track_caller]
fn assert_near(what: &str, got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{what}: {got}, not {want} within {tolerance:e}");
}

#[track_caller]
fn assert_moments(got: &Moments, want: &Moments, tolerance: f64) {
    assert_near("area", got.area, want.area, tolerance * want.area);
    assert_near("rate", got.rate_ppm, want.rate_ppm, tolerance);
    assert_near("offset", got.offset_us, want.offset_us, tolerance * (1.0 + want.offset_us.abs()));
    assert_near("rate variance", got.rate_variance, want.rate_variance, tolerance * want.rate_variance);
    assert_near(
        "offset variance",
        got.offset_variance,
        want.offset_variance,
        tolerance * want.offset_variance,
    );
    let spread = (want.rate_variance * want.offset_variance).sqrt();
    assert_near("covariance", got.covariance, want.covariance, tolerance * spread);
}

/// A polygon with more corners than are kept: a circle's, stretched.
fn round(corners: u32) -> Region {
    let turn = std::f64::consts::TAU / f64::from(corners);
    let points: List<(f64, f64)> = (0..corners)
        .map(|i| (50.0 * (f64::from(i) * turn).cos(), 2_000.0 * (f64::from(i) * turn).sin()))
        .collect();
    polygon(&points)
}

// Standard geometry (area, centroid and second moments of a uniform lamina, as in any table of sections): a rectangle
// of sides w and h has variances w²/12 and h²/12; a triangle with corners v has its centroid at their mean and
// Σ (v − centroid)(v − centroid)ᵀ / 12 for its covariance, so w²/18, h²/18, −wh/36 for one with a right angle.

#[test]
fn nothing_at_all_has_no_moments() {
    assert_eq!(polygon(&[]).moments(), Moments::default());
    assert_eq!(polygon(&[]).area(), 0.0);
}

#[test]
fn a_rectangle_has_the_moments_of_geometry() {
    let moments = Region::rectangle(-7.0, 50.0, 100.0, 1_300.0).moments();
    let want = Moments {
        area: 100.0 * 1_200.0,
        rate_ppm: -7.0,
        offset_us: 700.0,
        rate_variance: 100.0 * 100.0 / 12.0,
        offset_variance: 1_200.0 * 1_200.0 / 12.0,
        covariance: 0.0,
    };
    assert_moments(&moments, &want, 1e-12);
}

#[test]
fn a_right_triangle_has_the_moments_of_geometry() {
    let (w, h) = (6.0, 90.0);
    let moments = polygon(&[(0.0, 0.0), (w, 0.0), (0.0, h)]).moments();
    let want = Moments {
        area: w * h / 2.0,
        rate_ppm: w / 3.0,
        offset_us: h / 3.0,
        rate_variance: w * w / 18.0,
        offset_variance: h * h / 18.0,
        covariance: -w * h / 36.0,
    };
    assert_moments(&moments, &want, 1e-12);
}

/// A square and half a square beside it, put together by hand: areas 1 and 1/2, centroids (1/2, 1/2) and (4/3, 1/3). The mean of the
/// corners, (3/4, 1/2), is not the centroid.
#[test]
fn a_trapezium_has_the_moments_of_its_parts() {
    let (w, h) = (6.0, 90.0);
    let moments = polygon(&[(0.0, 0.0), (2.0 * w, 0.0), (w, h), (0.0, h)]).moments();
    let want = Moments {
        area: 1.5 * w * h,
        rate_ppm: w * 7.0 / 9.0,
        offset_us: h * 4.0 / 9.0,
        rate_variance: w * w * 37.0 / 162.0,
        offset_variance: h * h * 13.0 / 162.0,
        covariance: -w * h * 13.0 / 324.0,
    };
    assert_moments(&moments, &want, 1e-12);
}

#[test]
fn a_scalene_triangle_far_from_the_origin_has_the_moments_of_geometry() {
    let corners = [(-20.0, 3.6e9), (15.0, 3.6e9 + 200.0), (4.0, 3.6e9 + 900.0)];
    let (mut rate, mut offset) = (0.0, 0.0);
    for (r, o) in corners {
        rate += r / 3.0;
        offset += (o - 3.6e9) / 3.0;
    }
    let mut want =
        Moments { area: 11_400.0, rate_ppm: rate, offset_us: 3.6e9 + offset, ..Moments::default() };
    for (r, o) in corners {
        let (r, o) = (r - rate, o - 3.6e9 - offset);
        want.rate_variance += r * r / 12.0;
        want.offset_variance += o * o / 12.0;
        want.covariance += r * o / 12.0;
    }
    // Half of |35 · 900 − 24 · 200|, by the shoelace formula.
    want.area = (35.0 * 900.0 - 24.0 * 200.0) / 2.0;
    assert_moments(&polygon(&corners).moments(), &want, 1e-7);
}

#[test]
fn the_area_is_that_of_the_moments() {
    for region in [Region::rectangle(3.0, 2.0, -9.0, 1e6), round(7), round(16)] {
        let (area, want) = (region.area(), region.moments().area);
        assert_near("area", area, want, 1e-12 * want);
    }
}

#[test]
fn a_region_without_area_has_the_middle_and_the_spread_of_its_ranges() {
    let moments = polygon(&[(0.0, 0.0), (6.0, 0.0), (12.0, 0.0)]).moments();
    assert_eq!(moments.area, 0.0);
    assert_near("rate", moments.rate_ppm, 6.0, 1e-12);
    assert_near("rate variance", moments.rate_variance, 12.0, 1e-12);
    assert_eq!((moments.offset_us, moments.offset_variance, moments.covariance), (0.0, 0.0, 0.0));
}

#[test]
fn time_carries_the_moments_as_it_carries_a_clock() {
    let region = polygon(&[(-20.0, 0.0), (15.0, 200.0), (4.0, 900.0)]);
    for dt_s in [-300.0, 17.0] {
        let mut later = region.clone();
        later.shear(dt_s);
        let (a, b) = (region.moments(), later.moments());
        let want = Moments {
            offset_us: a.offset_us + a.rate_ppm * dt_s,
            offset_variance: a.offset_variance + dt_s * (2.0 * a.covariance + dt_s * a.rate_variance),
            covariance: a.covariance + dt_s * a.rate_variance,
            ..a
        };
        assert_moments(&b, &want, 1e-9);
    }
}

#[test]
fn a_positive_rate_raises_the_offset_as_time_goes_on() {
    let mut region = Region::rectangle(10.0, 1.0, 0.0, 1.0);
    region.shear(100.0);
    assert_eq!(region.offset_range(), (900.0, 1_101.0));
    assert_eq!(Region::rectangle(10.0, 1.0, 0.0, 1.0).offset_range_at(100.0), (900.0, 1_101.0));
}

#[test]
fn a_cut_keeps_its_side_of_the_bound() {
    let mut below = Region::rectangle(0.0, 10.0, 0.0, 100.0);
    assert!(below.cut(0.0, 40.0, Keep::Below));
    assert_eq!(below.offset_range(), (0.0, 40.0));
    let mut above = Region::rectangle(0.0, 10.0, 0.0, 100.0);
    assert!(above.cut(0.0, 40.0, Keep::Above));
    assert_eq!(above.offset_range(), (40.0, 100.0));
    // One hour on, the offset must be at most 36 ms: of the rates, 10 ppm and less remain where the offset is 0.
    let mut rates = Region::rectangle(0.0, 50.0, 0.0, 1e-6);
    assert!(rates.cut(3_600.0, 36_000.0, Keep::Below));
    assert_near("greatest rate", rates.rate_range().1, 10.0, 1e-6);
    assert_eq!(rates.rate_range().0, -50.0);
}

#[test]
fn a_cut_that_leaves_nothing_says_so_and_changes_nothing() {
    let region = round(16);
    let mut cut = region.clone();
    assert!(!cut.cut(0.0, -2_001.0, Keep::Below));
    assert!(!cut.cut(0.0, 2_001.0, Keep::Above));
    assert!(!cut.cut(100.0, 50.0 * 100.0 + 2_001.0, Keep::Above));
    assert!(!cut.cut_rates(80.0, 29.0));
    assert!(!cut.cut_rates(-80.0, 29.0));
    assert_eq!(cut, region);
}

#[test]
fn rates_outside_the_band_are_cut_off_on_both_sides() {
    let mut region = Region::rectangle(0.0, 100.0, -5.0, 5.0);
    assert!(region.cut_rates(20.0, 30.0));
    let (least, greatest) = region.rate_range();
    assert_near("least", least, -10.0, 1e-9);
    assert_near("greatest", greatest, 50.0, 1e-9);
    assert_eq!(region.offset_range(), (-5.0, 5.0));
}

#[test]
fn simplifying_keeps_every_corner_inside_and_adds_little() {
    let mut region = round(24);
    let (corners, before) = (region.corners.clone(), region.moments().area);
    region.simplify();
    assert_eq!(region.corners.len(), KEPT);
    let n = region.corners.len();
    for corner in &corners {
        for i in 0..n {
            let (a, b) = (region.corners[i], region.corners[(i + 1) % n]);
            let (dx, dy) = (b.rate_ppm - a.rate_ppm, b.offset_us - a.offset_us);
            let left = dx * (corner.offset_us - a.offset_us) - dy * (corner.rate_ppm - a.rate_ppm);
            assert!(left >= -1e-6, "{corner:?} is outside by {left}");
        }
    }
    let after = region.moments().area;
    // Eight of 24 edges of 15° go, each adding a triangle of base b and height b/2 · tan 15°: 1.5 % of the area.
    assert!(after > before && after < 1.016 * before, "{before} {after}");
}

#[test]
fn dilating_a_point_gives_what_a_bounded_change_of_rate_can_reach() {
    let (curvature, dt_s) = (0.05, 8.0);
    let mut region = Region::rectangle(0.0, 1e-9, -1e-9, 1e-9);
    region.dilate(curvature, dt_s);
    // Full acceleration all the time reaches κ·dt and κ·dt²/2; up, then down, κ·dt²/4 with the rate unchanged.
    assert_near("rate", region.rate_range().1, curvature * dt_s, 1e-6);
    let greatest = region.offset_range().1;
    let reached = curvature * dt_s * dt_s / 2.0;
    assert!(greatest >= reached && greatest <= 1.5 * reached + 1e-6, "{greatest} {reached}");
    let mut unchanged = region.clone();
    assert!(unchanged.cut_rates(0.0, 1e-6));
    assert_near("offset", unchanged.offset_range().1, curvature * dt_s * dt_s / 4.0, 1e-4);
    // The other way in time, a rate that rose means an offset that was higher, not lower.
    let mut back = Region::rectangle(0.0, 1e-9, -1e-9, 1e-9);
    back.dilate(-curvature, -dt_s);
    let highest = |r: &Region| {
        let top = r.corners.iter().max_by(|a, b| a.offset_us.total_cmp(&b.offset_us)).unwrap();
        top.rate_ppm
    };
    assert!(highest(&region) > 0.0 && highest(&back) < 0.0, "{region:?} {back:?}");
}

#[test]
fn opening_gives_way_on_every_side() {
    let mut region = round(16);
    let (rates, offsets) = (region.rate_range(), region.offset_range());
    region.open(0.3, 40.0);
    let (wide_rates, wide_offsets) = (region.rate_range(), region.offset_range());
    assert!(wide_rates.0 <= rates.0 - 0.3 + 1e-9 && wide_rates.1 >= rates.1 + 0.3 - 1e-9);
    assert!(wide_offsets.0 <= offsets.0 - 40.0 + 1e-9 && wide_offsets.1 >= offsets.1 + 40.0 - 1e-9);
}

#[test]
fn an_intersection_is_what_both_allow() {
    let a = Region::rectangle(0.0, 10.0, 0.0, 100.0);
    let b = Region::rectangle(5.0, 10.0, 60.0, 300.0);
    let both = a.intersection(&b).unwrap();
    assert_moments(&both.moments(), &Region::rectangle(2.5, 7.5, 60.0, 100.0).moments(), 1e-12);
    assert_moments(&b.intersection(&a).unwrap().moments(), &both.moments(), 1e-12);
    assert_moments(&a.intersection(&a).unwrap().moments(), &a.moments(), 1e-12);
    assert!(a.intersection(&Region::rectangle(0.0, 10.0, 101.0, 300.0)).is_none());
}

#[test]
fn corners_that_rounding_told_apart_cut_nothing_off_another_region() {
    let wide = [(100.0, -3e5), (100.0, 2.4e6), (-100.0, 2.4e6), (-100.0, -3e5)];
    let within = polygon(&[(100.0, -2e4), (100.0, 3e4), (-100.0, 3e4), (-100.0, -2e4)]);
    for (place, (rate_ppm, offset_us)) in wide.into_iter().enumerate() {
        // The corner twice, and the second one off by what rounding leaves, to any side.
        for (by_ppm, by_us) in [(1e-14, 0.0), (-1e-14, 0.0), (0.0, 1e-10), (0.0, -1e-10), (2e-14, -1e-10)] {
            let mut corners = wide.to_vec();
            corners.insert(place + 1, (rate_ppm + by_ppm, offset_us + by_us));
            let both = within.intersection(&polygon(&corners)).unwrap();
            assert_near("lowest", both.offset_range().0, -2e4, 1e-6);
            assert_near("highest", both.offset_range().1, 3e4, 1e-6);
            assert_near("slowest", both.rate_range().0, -100.0, 1e-9);
        }
    }
}
