//! Two-way time transfer: RFC 5905 and IEEE 1588, and the sign trap between them.

use serde::Deserialize;
use tickseam::exchange::{
    Exchange, ExchangeError, PHI_S_PER_S, fresh_dispersion_s, grown_dispersion_s, synchronization_distance_s,
};
use tickseam_tests::{assert_digits, assert_prints_as, read_toml};

#[derive(Deserialize)]
struct TimeTransfer {
    ntp: Vec<Ntp>,
    ntp_dispersion: Dispersion,
    rfc5905_statements: Statements,
    ptp: Vec<Ptp>,
}

#[derive(Deserialize)]
struct Ntp {
    t1: f64,
    t2: f64,
    t3: f64,
    t4: f64,
    theta: f64,
    delta: f64,
    true_offset: f64,
    forward_delay: f64,
    back_delay: f64,
    error: f64,
}

#[derive(Deserialize)]
struct Dispersion {
    phi: f64,
    peer_precision_log2: i32,
    system_precision_log2: i32,
    t4_minus_t1: f64,
    delta: f64,
    elapsed_s: f64,
    epsilon_t0: f64,
    epsilon_t: f64,
    lambda_t: f64,
}

#[derive(Deserialize)]
struct Statements {
    phi_per_day_s: f64,
    phi_per_day_exact_s: f64,
    apparent_delay_s: f64,
}

#[derive(Deserialize)]
struct Ptp {
    t1: f64,
    t2: f64,
    t3: f64,
    t4: f64,
    mean_path_delay: f64,
    offset_from_master: f64,
}

fn ns(seconds: f64) -> i64 {
    (seconds * 1e9).round() as i64
}

fn exchange(t1: f64, t2: f64, t3: f64, t4: f64) -> Exchange {
    Exchange::new(ns(t1), ns(t2), ns(t3), ns(t4)).unwrap()
}

#[test]
fn rfc_5905_exchanges_give_offset_delay_and_bounds_that_hold_the_truth() {
    let examples = read_toml::<TimeTransfer>("exchange.toml").ntp;
    assert_eq!(examples.len(), 2);
    for example in examples {
        let exchange = exchange(example.t1, example.t2, example.t3, example.t4);
        assert_eq!(exchange.offset_ns(), ns(example.theta));
        assert_eq!(exchange.delay_ns(), ns(example.delta));
        assert_eq!(exchange.offset_ns() - ns(example.true_offset), ns(example.error));
        let (lower_ns, upper_ns) = exchange.bounds_ns().unwrap();
        assert_eq!(lower_ns, ns(example.theta - example.delta / 2.0));
        assert_eq!(upper_ns, ns(example.theta + example.delta / 2.0));
        assert_eq!(upper_ns - ns(example.true_offset), ns(example.forward_delay));
        assert_eq!(ns(example.true_offset) - lower_ns, ns(example.back_delay));
    }
}

#[test]
fn ieee_1588_exchanges_give_offset_from_master_and_mean_path_delay() {
    let examples = read_toml::<TimeTransfer>("exchange.toml").ptp;
    assert_eq!(examples.len(), 2);
    for example in examples {
        let exchange = exchange(example.t1, example.t2, example.t3, example.t4);
        assert_eq!(exchange.offset_from_master_ns(), ns(example.offset_from_master));
        assert_eq!(exchange.mean_path_delay_ns(), ns(example.mean_path_delay));
    }
}

/// The trap: one number, two parties, opposite signs.
#[test]
fn what_a_client_adds_a_slave_subtracts_and_mixing_them_doubles_the_error() {
    let TimeTransfer { ntp, ptp, .. } = read_toml("exchange.toml");
    let symmetric = ntp.iter().find(|example| example.error == 0.0).unwrap();
    let exchange_ntp = exchange(symmetric.t1, symmetric.t2, symmetric.t3, symmetric.t4);
    // Four stamps by A's corrected clock: no offset is left. By the clock corrected the wrong way: twice as much.
    let corrected_a = |correction_ns: i64| {
        Exchange::new(
            ns(symmetric.t1) + correction_ns,
            ns(symmetric.t2),
            ns(symmetric.t3),
            ns(symmetric.t4) + correction_ns,
        )
        .unwrap()
        .offset_ns()
    };
    assert_ne!(symmetric.theta, 0.0);
    assert_eq!(corrected_a(exchange_ntp.correction_of_a_ns()), 0);
    assert_eq!(corrected_a(exchange_ntp.correction_of_b_ns()), 2 * ns(symmetric.theta));

    for example in ptp {
        let exchange_ptp = exchange(example.t1, example.t2, example.t3, example.t4);
        let corrected_slave = |correction_ns: i64| {
            Exchange::new(
                ns(example.t1),
                ns(example.t2) + correction_ns,
                ns(example.t3) + correction_ns,
                ns(example.t4),
            )
            .unwrap()
            .offset_from_master_ns()
        };
        assert_ne!(example.offset_from_master, 0.0);
        assert_eq!(corrected_slave(-ns(example.offset_from_master)), 0);
        assert_eq!(corrected_slave(exchange_ptp.correction_of_b_ns()), 0);
        assert_eq!(corrected_slave(exchange_ptp.correction_of_a_ns()), 2 * ns(example.offset_from_master));
    }
}

#[test]
fn rfc_5905_dispersion_grows_to_the_computed_synchronization_distance() {
    let example = read_toml::<TimeTransfer>("exchange.toml").ntp_dispersion;
    assert_eq!(PHI_S_PER_S, example.phi);
    let fresh = fresh_dispersion_s(
        2.0_f64.powi(example.peer_precision_log2),
        2.0_f64.powi(example.system_precision_log2),
        example.t4_minus_t1,
    );
    assert_digits("fresh dispersion", fresh, example.epsilon_t0, 14.0);
    let grown = grown_dispersion_s(fresh, example.elapsed_s);
    assert_digits("grown dispersion", grown, example.epsilon_t, 14.0);
    assert_digits("distance", synchronization_distance_s(example.delta, grown), example.lambda_t, 14.0);
}

#[test]
fn rfc_5905_says_that_a_clock_left_alone_goes_wrong_by_about_a_second_and_a_third_a_day() {
    let statements = read_toml::<TimeTransfer>("exchange.toml").rfc5905_statements;
    let per_day_s = grown_dispersion_s(0.0, 86_400.0);
    assert_prints_as("dispersion per day", per_day_s, statements.phi_per_day_s, 1);
    assert_digits("dispersion per day", per_day_s, statements.phi_per_day_exact_s, 14.0);
}

/// RFC 5905, section 8: clocks 100 ppm apart and an answer after 64 s show a round trip of −6.4 ms.
#[test]
fn rfc_5905_says_that_unequal_rates_make_a_round_trip_negative_and_no_bounds_are_given_then() {
    let statements = read_toml::<TimeTransfer>("exchange.toml").rfc5905_statements;
    let asked_and_waited_s = 64.0;
    let exchange = exchange(0.0, 0.0, asked_and_waited_s * (1.0 + 100e-6), asked_and_waited_s);
    assert_eq!(exchange.delay_ns(), ns(statements.apparent_delay_s));
    assert_eq!(
        exchange.bounds_ns(),
        Err(ExchangeError::NegativeDelay { delay_ns: ns(statements.apparent_delay_s) })
    );
}
