//! Coverage factors and effective degrees of freedom of JCGM 100:2008 (GUM), annex G.

use serde::Deserialize;
use tickseam::student::{Component, combine, coverage_factor_95, effective_degrees_of_freedom};
use tickseam_tests::{assert_digits, assert_prints_as, read_toml};

#[derive(Deserialize)]
struct Student {
    dof: Vec<u32>,
    from_memory: Factors,
    computed: Factors,
}

#[derive(Deserialize)]
struct Factors {
    t95: Vec<f64>,
}

#[test]
fn coverage_factors_are_those_of_table_g2_and_of_a_60_digit_computation() {
    let table: Student = read_toml("student.toml");
    let (remembered, computed) = (&table.from_memory.t95, &table.computed.t95);
    assert_eq!((table.dof.len(), remembered.len(), computed.len()), (28, 28, 28));
    for (row, &dof) in table.dof.iter().enumerate() {
        let infinite = dof == 0;
        let factor = coverage_factor_95(if infinite { f64::INFINITY } else { f64::from(dof) }).unwrap();
        let decimals = if infinite || dof == 100 { 3 } else { 2 };
        assert_prints_as(&format!("t95({dof})"), factor, remembered[row], decimals);
        let relative = (factor / computed[row] - 1.0).abs();
        assert!(relative < 3e-6, "t95({dof}) = {factor} is off by {relative:e}");
    }
}

/// Share of Student's distribution with `dof` degrees of freedom between −t and t, by the midpoint rule.
///
/// With t = √ν tan θ the density becomes cos θ to the power ν − 1; θ = (π/2)(1 − s⁴) keeps it smooth at the far end.
fn share_within(t: f64, dof: f64) -> f64 {
    let quarter = std::f64::consts::FRAC_PI_2;
    let edge = (1.0 - (t / dof.sqrt()).atan() / quarter).powf(0.25);
    let area = |from: f64, to: f64| -> f64 {
        let steps = 20_000;
        let width = (to - from) / f64::from(steps);
        (0..steps)
            .map(|step| {
                let s = from + (f64::from(step) + 0.5) * width;
                (quarter * s.powi(4)).sin().powf(dof - 1.0) * s.powi(3) * width
            })
            .sum()
    };
    let inside = area(edge, 1.0);
    inside / (inside + area(0.0, edge))
}

#[test]
fn the_factor_encloses_95_percent_of_student_distributions_with_fractional_degrees_of_freedom() {
    for dof in [1.0, 1.01, 1.3, 1.7, 2.0, 2.9, 4.4, 7.1, 12.6, 40.3, 333.3] {
        let share = share_within(coverage_factor_95(dof).unwrap(), dof);
        assert!((share - 0.95).abs() < 1e-6, "dof {dof}: the interval holds {share}");
    }
}

/// JCGM 100:2008, G.4.1, the example of a product of three quantities: relative uncertainties of 0.25 %, 0.57 %
/// and 0.82 % from 10, 5 and 15 readings give 1.03 % with 19.0 effective degrees of freedom. From memory, not checked
/// against the GUM's text; the computation rounds to these digits.
#[test]
fn the_gum_example_of_effective_degrees_of_freedom_comes_out_as_remembered() {
    let budget = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
        .map(|(u, degrees_of_freedom)| Component { u, degrees_of_freedom });
    let combined = combine(&budget).unwrap();
    assert_prints_as("combined uncertainty in percent", combined.u, 1.03, 2);
    assert_prints_as("effective degrees of freedom", combined.degrees_of_freedom, 19.0, 1);
    assert_digits(
        "the same by the shorter way",
        effective_degrees_of_freedom(&budget).unwrap(),
        combined.degrees_of_freedom,
        16.0,
    );
    assert_prints_as("factor", coverage_factor_95(combined.degrees_of_freedom).unwrap(), 2.09, 2);
}
