//! How many standard uncertainties make a 95 % interval when the scatter itself was estimated from few readings.

use libm::sqrt;

/// Half-width, in standard deviations, of the two-sided 95 % interval of a normal distribution.
///
/// Dimensionless. The limit of [`coverage_factor_95`] for unlimited degrees of freedom.
pub const NORMAL_COVERAGE_FACTOR_95: f64 = 1.959_963_984_540_054;

/// Coefficients of 1/ν, 1/ν², … of the Student factor. All are positive or zero, so the factor falls steadily with
/// ν, and the rounding of sums and products of positive numbers cannot turn that round.
const COEFFICIENTS: [f64; 8] = [
    // Expansion of a Student quantile about the normal quantile z:
    // (z³ + z)/4, (5z⁵ + 16z³ + 3z)/96, (3z⁷ + 19z⁵ + 17z³ − 15z)/384,
    // (79z⁹ + 776z⁷ + 1482z⁵ − 1920z³ − 945z)/92160.
    2.372_271_230_298_563,
    2.822_498_615_739_611_8,
    2.555_849_679_507_723_3,
    1.589_534_053_393_823_5,
    // Remainder: the smallest largest relative error over 0 < 1/ν ≤ 1 with no negative coefficient.
    0.764_381_17,
    0.487_127_28,
    0.0,
    0.154_546_46,
];

/// Factor that turns a standard uncertainty into the half-width of a two-sided 95 % interval.
///
/// Dimensionless, for `degrees_of_freedom` from 1 (factor 12.7) to infinity ([`NORMAL_COVERAGE_FACTOR_95`]);
/// fractions are allowed, as [`effective_degrees_of_freedom`] gives them. The relative error is below 3·10⁻⁶
/// everywhere, and a larger number of degrees of freedom never gives a larger factor.
///
/// `None` below 1 and for NaN: with less than one degree of freedom nothing is known of the scatter.
///
/// Cost: one division, eight multiplications and additions.
///
/// Source: Student's distribution as in JCGM 100:2008 (GUM), annex G, Table G.2. The first four terms are the known
/// expansion in 1/ν; the last three coefficients were fitted against 40-digit quantiles.
#[must_use]
pub fn coverage_factor_95(degrees_of_freedom: f64) -> Option<f64> {
    if degrees_of_freedom >= 1.0 {
        let reciprocal = 1.0 / degrees_of_freedom;
        let tail = COEFFICIENTS.iter().rev().fold(0.0, |sum, coefficient| (sum + coefficient) * reciprocal);
        Some(NORMAL_COVERAGE_FACTOR_95 + tail)
    } else {
        None
    }
}

/// One line of an uncertainty budget.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Component {
    /// Standard uncertainty that this component contributes, in the unit of the result; not negative.
    pub u: f64,
    /// Degrees of freedom behind `u`, at least 1; infinity for one that is taken as exactly known.
    pub degrees_of_freedom: f64,
}

/// Standard uncertainty and degrees of freedom of a sum of independent components.
///
/// `u` is the root of the sum of squares, in the unit of the components; `degrees_of_freedom` is the
/// Welch–Satterthwaite number: between the smallest of the components' and their sum, and infinity when every
/// component that contributes has infinitely many, or none contributes.
///
/// `None` when a component is negative or not finite or has less than one degree of freedom.
///
/// Cost: a dozen operations for each component, one square root.
///
/// Source: JCGM 100:2008 (GUM), G.4.1, formula (G.2b).
#[must_use]
pub fn combine(components: &[Component]) -> Option<Component> {
    let mut largest = 0.0;
    for component in components {
        let valid = component.u >= 0.0 && component.u < f64::INFINITY && component.degrees_of_freedom >= 1.0;
        if !valid {
            return None;
        }
        if component.u > largest {
            largest = component.u;
        }
    }
    if largest == 0.0 {
        return Some(Component { u: 0.0, degrees_of_freedom: f64::INFINITY });
    }
    // Shares of the largest keep the fourth powers inside the range of f64.
    let mut variance = 0.0;
    let mut spread_of_variance = 0.0;
    for component in components {
        let share = component.u / largest;
        let square = share * share;
        variance += square;
        spread_of_variance += square * square / component.degrees_of_freedom;
    }
    Some(Component {
        u: largest * sqrt(variance),
        degrees_of_freedom: variance * variance / spread_of_variance,
    })
}

/// Effective degrees of freedom of a sum of independent components, as [`combine`] gives them.
///
/// `None` under the same conditions.
#[must_use]
pub fn effective_degrees_of_freedom(components: &[Component]) -> Option<f64> {
    combine(components).map(|combined| combined.degrees_of_freedom)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
    use super::*;

    /// Quantiles computed for this test in 40-digit arithmetic from the incomplete beta function.
    const FRACTIONAL: [(f64, f64); 8] = [
        (1.0, 12.706204736174705),
        (1.25, 8.027_951_377_252_062),
        (1.5, 6.0166631044279319),
        (2.5, 3.574_654_842_003_683),
        (3.75, 2.8509892835917268),
        (6.5, 2.4020020079102777),
        (17.5, 2.105_232_972_227_985),
        (1000.0, 1.9623390808264085),
    ];

    #[test]
    fn the_factor_is_within_three_parts_per_million_at_fractional_degrees_of_freedom() {
        for (dof, exact) in FRACTIONAL {
            let relative = coverage_factor_95(dof).unwrap() / exact - 1.0;
            assert!(relative < 3e-6 && relative > -3e-6, "dof {dof}: relative error {relative:e}");
        }
    }

    #[test]
    fn the_factor_never_rises_with_the_degrees_of_freedom() {
        let mut dof = 1.0;
        let mut previous = coverage_factor_95(dof).unwrap();
        while dof < 1e9 {
            dof *= 1.000_1;
            let factor = coverage_factor_95(dof).unwrap();
            assert!(factor <= previous, "dof {dof}: {factor} after {previous}");
            assert!(factor >= NORMAL_COVERAGE_FACTOR_95);
            previous = factor;
        }
    }

    #[test]
    fn unlimited_degrees_of_freedom_give_the_normal_factor_and_less_than_one_gives_none() {
        assert_eq!(coverage_factor_95(f64::INFINITY), Some(NORMAL_COVERAGE_FACTOR_95));
        for dof in [0.999, 0.0, -3.0, f64::NAN, f64::NEG_INFINITY] {
            assert_eq!(coverage_factor_95(dof), None, "dof {dof}");
        }
    }

    #[test]
    fn equal_components_add_their_degrees_of_freedom() {
        let component = Component { u: 1e-200, degrees_of_freedom: 7.0 };
        let combined = combine(&[component; 4]).unwrap();
        assert!((combined.u / 2e-200 - 1.0).abs() < 1e-15);
        assert!((combined.degrees_of_freedom - 28.0).abs() < 1e-12);
    }

    #[test]
    fn components_that_cannot_be_are_refused_and_none_at_all_is_exactly_known() {
        for (u, degrees_of_freedom) in
            [(-1.0, 5.0), (f64::NAN, 5.0), (f64::INFINITY, 5.0), (1.0, 0.5), (1.0, f64::NAN)]
        {
            assert_eq!(combine(&[Component { u, degrees_of_freedom }]), None, "{u}, {degrees_of_freedom}");
        }
        assert_eq!(combine(&[]), Some(Component { u: 0.0, degrees_of_freedom: f64::INFINITY }));
        let exact = Component { u: 3.0, degrees_of_freedom: f64::INFINITY };
        assert_eq!(effective_degrees_of_freedom(&[exact]), Some(f64::INFINITY));
    }
}
