//! Simpler ways to place the same events: what is used in practice, to be measured against.
//!
//! Each takes the arrivals of one segment, in the order of reception and unwrapped, and the same fixed delay as the
//! estimate gets. None states an uncertainty.

use tickseam::block::{Arrival, WorkingLine};
use tickseam::frame::Frame;
use tickseam::line::LineAccumulator;

/// Share of the arrivals that may lie below a line that was shifted onto the fastest ones.
const FASTEST_SHARE: f64 = 0.01;
/// Length of the windows of [`Peer::WindowedMinimum`], s.
const WINDOW_S: f64 = 20.0;
/// Most points that [`Peer::TheilSen`] looks at: all pairs of them are compared.
const THEIL_SEN_POINTS: usize = 1000;
/// Exchanges of which the one with the smallest round trip is kept: the clock filter's register of RFC 5905, section 10.
const FILTER_EXCHANGES: usize = 8;

/// A simpler way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Peer {
    /// The newest packet's stamp is taken for exact, less the fixed delay.
    NewestArrival,
    /// A straight line by least squares through all arrivals, shifted down until only the fastest 1 % lie below.
    LeastSquares,
    /// The median of the slopes between all pairs of at most a thousand block minima (Theil 1950, Sen 1968), shifted
    /// likewise.
    TheilSen,
    /// That edge of the lower convex hull of all arrivals which lies over their mean device time (Moon, Skelly and Towsley
    /// 1999 choose the same line).
    LowerHull,
    /// The least residual of each 20 s, with straight lines between.
    WindowedMinimum,
    /// Of each eight exchanges the one with the smallest round trip, its middle taken for simultaneous, with straight
    /// lines between. Needs no fixed delay.
    SmallestRoundTrip,
}

impl Peer {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::NewestArrival,
        Self::LeastSquares,
        Self::TheilSen,
        Self::LowerHull,
        Self::WindowedMinimum,
        Self::SmallestRoundTrip,
    ];

    /// Its name in a table.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NewestArrival => "newest arrival",
            Self::LeastSquares => "least squares, shifted",
            Self::TheilSen => "Theil–Sen, shifted",
            Self::LowerHull => "lower hull line",
            Self::WindowedMinimum => "windowed minimum",
            Self::SmallestRoundTrip => "smallest round trip",
        }
    }
}

/// The four stamps of an exchange (RFC 5905) inside a segment's frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RoundTrip {
    /// The host sent its request, µs since the host origin.
    pub origin_us: f64,
    /// The device received it, s of device time.
    pub receive_s: f64,
    /// The device sent its reply, s of device time.
    pub transmit_s: f64,
    /// The host received it, µs since the host origin.
    pub destination_us: f64,
}

impl RoundTrip {
    /// Time on the way, both ways together, µs.
    fn delay_us(&self) -> f64 {
        self.destination_us - self.origin_us - (self.transmit_s - self.receive_s) * 1e6
    }

    /// Device time half-way between the device's stamps, s, and the residual there if both ways took equally long, µs.
    fn middle(&self) -> (f64, f64) {
        let device_s = (self.receive_s + self.transmit_s) / 2.0;
        (device_s, (self.origin_us + self.destination_us) / 2.0 - device_s * 1e6)
    }
}

/// What all peers see of one segment.
#[derive(Clone, Copy, Debug)]
pub struct Seen<'a> {
    /// Where both clocks are counted from.
    pub frame: Frame,
    /// Each packet once, in the order of reception.
    pub arrivals: &'a [Arrival],
    /// In the order of their return.
    pub round_trips: &'a [RoundTrip],
    /// Smallest time from a packet's first sample to its stamp, as it was declared, µs.
    pub fixed_delay_us: f64,
}

impl<'a> Seen<'a> {
    /// The clock as a peer has it; `None` where it has too little: fewer than three arrivals, or no exchange.
    ///
    /// Cost: O(n) or O(n log n) in the arrivals, and half a million slopes for Theil–Sen.
    pub fn by(&self, peer: Peer) -> Option<PeerClock<'a>> {
        let lowered = |line: WorkingLine| Shape::Line(self.lowered(line));
        let shape = match peer {
            Peer::NewestArrival => Shape::Newest(self.arrivals, self.fixed_delay_us),
            Peer::LeastSquares => {
                lowered(onto_fastest(self.arrivals, least_squares(points(self.arrivals))?)?)
            }
            Peer::TheilSen => lowered(onto_fastest(self.arrivals, theil_sen(self.arrivals)?)?),
            Peer::LowerHull => lowered(hull_line(self.arrivals)?),
            Peer::WindowedMinimum => Shape::Knots(Knots::new(
                minima(self.arrivals, WINDOW_S, None)
                    .into_iter()
                    .map(|(x, y)| (x, y - self.fixed_delay_us))
                    .collect(),
            )?),
            Peer::SmallestRoundTrip => Shape::Knots(Knots::new(
                self.round_trips
                    .chunks(FILTER_EXCHANGES)
                    .filter_map(|chunk| {
                        chunk
                            .iter()
                            .min_by(|a, b| a.delay_us().total_cmp(&b.delay_us()))
                            .map(RoundTrip::middle)
                    })
                    .collect(),
            )?),
        };
        Some(PeerClock { frame: self.frame, shape })
    }

    fn lowered(&self, line: WorkingLine) -> WorkingLine {
        WorkingLine { offset_us: line.offset_us - self.fixed_delay_us, ..line }
    }
}

/// The clock as a peer has it.
#[derive(Clone, Debug)]
pub struct PeerClock<'a> {
    frame: Frame,
    shape: Shape<'a>,
}

#[derive(Clone, Debug)]
enum Shape<'a> {
    /// Arrivals, and the fixed delay, µs.
    Newest(&'a [Arrival], f64),
    Line(WorkingLine),
    Knots(Knots),
}

impl PeerClock<'_> {
    /// Device time of an event that happened `latency_us` after its stamp, s; `None` before the first arrival, where only
    /// the newest one counts.
    pub fn onset_s(&self, host_ns: i64, latency_us: f64) -> Option<f64> {
        let on_curve = |at: &dyn Fn(f64) -> f64| self.frame.device_s_at(host_ns, latency_us, at);
        match &self.shape {
            Shape::Newest(arrivals, fixed_delay_us) => {
                let event_us = self.frame.host_us(host_ns);
                let host_us = |arrival: &Arrival| arrival.residual_us + arrival.device_s * 1e6;
                let next = arrivals.partition_point(|arrival| host_us(arrival) <= event_us);
                let newest = arrivals.get(next.checked_sub(1)?)?;
                Some(newest.device_s + (event_us + latency_us + fixed_delay_us - host_us(newest)) / 1e6)
            }
            Shape::Line(line) => Some(on_curve(&|device_s| line.at(device_s))),
            Shape::Knots(knots) => Some(on_curve(&|device_s| knots.at(device_s))),
        }
    }
}

/// Points with straight lines between, and beyond the ends the rate of the straight line through all of them.
#[derive(Clone, Debug)]
struct Knots {
    points: Vec<(f64, f64)>,
    rate_ppm: f64,
}

impl Knots {
    fn new(mut points: Vec<(f64, f64)>) -> Option<Self> {
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points.dedup_by_key(|point| point.0);
        let rate_ppm = least_squares(points.iter().copied()).map_or(0.0, |line| line.rate_ppm);
        (!points.is_empty()).then_some(Self { points, rate_ppm })
    }

    fn at(&self, x: f64) -> f64 {
        let next = self.points.partition_point(|point| point.0 <= x);
        let (before, after) = (next.checked_sub(1).map(|at| self.points[at]), self.points.get(next));
        match (before, after) {
            (Some((x0, y0)), Some(&(x1, y1))) => y0 + (y1 - y0) * (x - x0) / (x1 - x0),
            (Some((x0, y0)), None) | (None, Some(&(x0, y0))) => y0 + self.rate_ppm * (x - x0),
            (None, None) => 0.0,
        }
    }
}

fn points(arrivals: &[Arrival]) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
    arrivals.iter().map(|arrival| (arrival.device_s, arrival.residual_us))
}

fn least_squares(points: impl Iterator<Item = (f64, f64)>) -> Option<WorkingLine> {
    let mut sums = LineAccumulator::new();
    for (x, y) in points {
        sums.add(x, y, 1.0).ok()?;
    }
    let fit = sums.fit().ok()?;
    Some(WorkingLine { origin_s: fit.x_mean(), offset_us: fit.y_mean(), rate_ppm: fit.slope().value })
}

/// The line shifted until the fastest arrivals, and no others, lie below it.
fn onto_fastest(arrivals: &[Arrival], line: WorkingLine) -> Option<WorkingLine> {
    let mut above: Vec<f64> = points(arrivals).map(|(x, y)| y - line.at(x)).collect();
    let below = (above.len() as f64 * FASTEST_SHARE) as usize;
    if above.is_empty() {
        return None;
    }
    let (_, &mut shift_us, _) = above.select_nth_unstable_by(below, f64::total_cmp);
    Some(WorkingLine { offset_us: line.offset_us + shift_us, ..line })
}

/// The least residual of each window of device time, those against a line if there is one.
fn minima(arrivals: &[Arrival], window_s: f64, against: Option<WorkingLine>) -> Vec<(f64, f64)> {
    let from_s = arrivals.iter().map(|arrival| arrival.device_s).fold(f64::INFINITY, f64::min);
    let mut least: Vec<Option<(f64, f64, f64)>> = Vec::new();
    for (x, y) in points(arrivals) {
        let window = ((x - from_s) / window_s) as usize;
        if window >= least.len() {
            least.resize(window + 1, None);
        }
        let above = y - against.map_or(0.0, |line| line.at(x));
        if least[window].is_none_or(|(_, _, had)| above < had) {
            least[window] = Some((x, y, above));
        }
    }
    least.into_iter().flatten().map(|(x, y, _)| (x, y)).collect()
}

fn theil_sen(arrivals: &[Arrival]) -> Option<WorkingLine> {
    let through_all = least_squares(points(arrivals))?;
    let times = || arrivals.iter().map(|arrival| arrival.device_s);
    let (from_s, to_s) = (times().fold(f64::INFINITY, f64::min), times().fold(f64::NEG_INFINITY, f64::max));
    // One window less than points, as the last arrival begins one of its own.
    let window_s = (to_s - from_s) / (THEIL_SEN_POINTS - 1) as f64;
    let minima = minima(arrivals, window_s, Some(through_all));
    let mut slopes = Vec::with_capacity(minima.len() * minima.len() / 2);
    for (place, a) in minima.iter().enumerate() {
        slopes.extend(minima[place + 1..].iter().filter(|b| b.0 > a.0).map(|b| (b.1 - a.1) / (b.0 - a.0)));
    }
    let middle = slopes.len() / 2;
    if slopes.is_empty() {
        return None;
    }
    let (_, &mut rate_ppm, _) = slopes.select_nth_unstable_by(middle, f64::total_cmp);
    Some(WorkingLine { rate_ppm, ..through_all })
}

/// The edge of the lower convex hull over the mean device time.
fn hull_line(arrivals: &[Arrival]) -> Option<WorkingLine> {
    let mut sorted: Vec<(f64, f64)> = points(arrivals).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    sorted.dedup_by_key(|point| point.0);
    let mean_s = sorted.iter().map(|point| point.0).sum::<f64>() / sorted.len() as f64;
    let mut hull: Vec<(f64, f64)> = Vec::new();
    for point in sorted {
        while let [.., a, b] = hull[..]
            && (b.1 - a.1) * (point.0 - a.0) >= (point.1 - a.1) * (b.0 - a.0)
        {
            hull.pop();
        }
        hull.push(point);
    }
    let edge = hull.windows(2).find(|edge| edge[1].0 >= mean_s)?;
    let (a, b) = (edge[0], edge[1]);
    Some(WorkingLine { origin_s: a.0, offset_us: a.1, rate_ppm: (b.1 - a.1) / (b.0 - a.0) })
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Frame = Frame { device_origin: 0, counts_per_s: 1000.0, host_origin_ns: 1_000_000_000 };

    /// True residual: 20 ppm from 300 µs on.
    fn clock_us(device_s: f64) -> f64 {
        300.0 + 20.0 * device_s
    }

    /// A packet each 100 ms for 200 s, 2 ms fixed delay; excess by place.
    fn arrivals(excess_us: impl Fn(usize) -> f64) -> Vec<Arrival> {
        (0..2000)
            .map(|place| {
                let device_s = place as f64 * 0.1;
                Arrival::new(device_s, clock_us(device_s) + 2000.0 + excess_us(place))
            })
            .collect()
    }

    /// Largest error over the recording, µs.
    fn worst_us(arrivals: &[Arrival], round_trips: &[RoundTrip], peer: Peer) -> f64 {
        let seen = Seen { frame: FRAME, arrivals, round_trips, fixed_delay_us: 2000.0 };
        let clock = seen.by(peer).unwrap();
        let errors_us = (1..=199).map(|second| {
            let true_s = f64::from(second);
            let host_ns = FRAME.host_ns(true_s, clock_us(true_s));
            (clock.onset_s(host_ns, 0.0).unwrap() - true_s).abs() * 1e6
        });
        errors_us.fold(0.0, f64::max)
    }

    #[test]
    fn without_any_scatter_all_peers_are_exact_to_a_nanosecond_or_two() {
        let arrivals = arrivals(|_| 0.0);
        let exchange = |second: u32| {
            let (receive_s, transmit_s) = (f64::from(second), f64::from(second) + 0.25);
            RoundTrip {
                origin_us: receive_s * 1e6 + clock_us(receive_s) - 700.0,
                receive_s,
                transmit_s,
                destination_us: transmit_s * 1e6 + clock_us(transmit_s) + 700.0,
            }
        };
        let round_trips: Vec<RoundTrip> = (1..200).map(exchange).collect();
        for peer in Peer::ALL {
            // A newest arrival up to 100 ms old is carried at the nominal rate: 20 ppm of that is 2 µs.
            let allowed_us = if peer == Peer::NewestArrival { 2.1 } else { 0.002 };
            let worst_us = worst_us(&arrivals, &round_trips, peer);
            assert!(worst_us <= allowed_us, "{}: {worst_us} µs", peer.name());
        }
    }

    #[test]
    fn the_newest_arrival_errs_by_its_own_wait() {
        let worst_us = worst_us(&arrivals(|_| 5000.0), &[], Peer::NewestArrival);
        assert!((4997.0..=5000.1).contains(&worst_us), "{worst_us}");
    }

    #[test]
    fn shifted_lines_come_down_to_the_fastest_percent() {
        // Every fiftieth packet is on time, evenly over the record, the others wait 5 ms: 2 % are fast.
        let arrivals = arrivals(|place| if place % 50 == 25 { 0.0 } else { 5000.0 });
        for peer in [Peer::LeastSquares, Peer::TheilSen, Peer::LowerHull] {
            let worst_us = worst_us(&arrivals, &[], peer);
            assert!(worst_us < 3.0, "{}: {worst_us} µs", peer.name());
        }
        // All windows hold four fast ones, but the least residual is the first of them where the clock rises.
        let worst_us = worst_us(&arrivals, &[], Peer::WindowedMinimum);
        assert!(worst_us < 0.01, "{worst_us}");
    }

    #[test]
    fn too_few_fast_packets_leave_a_shifted_line_high() {
        // One in five hundred is fast, fewer than one in a hundred: the line rests on the slow ones.
        let arrivals = arrivals(|place| if place % 500 == 250 { 0.0 } else { 5000.0 });
        let worst_us = worst_us(&arrivals, &[], Peer::LeastSquares);
        assert!((4900.0..5100.0).contains(&worst_us), "{worst_us}");
    }

    #[test]
    fn a_saw_tooth_in_the_least_waits_leads_windowed_minimum_and_hull_astray() {
        // Waits that fall by 10 ms over the whole record: a beat that does not slip.
        let arrivals = arrivals(|place| 10_000.0 - 5.0 * place as f64);
        for peer in [Peer::WindowedMinimum, Peer::LowerHull, Peer::LeastSquares, Peer::TheilSen] {
            let worst_us = worst_us(&arrivals, &[], peer);
            assert!(worst_us > 9000.0, "{}: {worst_us} µs", peer.name());
        }
    }

    #[test]
    fn theil_sen_does_not_mind_a_fifth_of_the_record_being_off() {
        let off = arrivals(|place| if place < 400 { 50_000.0 } else { 0.0 });
        assert!(worst_us(&off, &[], Peer::TheilSen) < 0.01);
        assert!(worst_us(&off, &[], Peer::LeastSquares) > 5000.0);
    }

    #[test]
    fn of_eight_exchanges_the_quickest_counts_with_half_its_asymmetry() {
        let exchange = |second: usize| {
            let receive_s = second as f64;
            let there_us = if second % 8 == 3 { 1000.0 } else { 9000.0 };
            RoundTrip {
                origin_us: receive_s * 1e6 + clock_us(receive_s) - there_us,
                receive_s,
                transmit_s: receive_s,
                destination_us: receive_s * 1e6 + clock_us(receive_s) + 600.0,
            }
        };
        let round_trips: Vec<RoundTrip> = (0..200).map(exchange).collect();
        // (1000 − 600) ÷ 2 µs, at every instant.
        let worst_us = worst_us(&[], &round_trips, Peer::SmallestRoundTrip);
        assert!((worst_us - 200.0).abs() < 0.1, "{worst_us}");
    }

    #[test]
    fn with_too_little_there_is_no_answer() {
        let seen = Seen { frame: FRAME, arrivals: &[], round_trips: &[], fixed_delay_us: 0.0 };
        for peer in Peer::ALL {
            let answer = seen.by(peer).and_then(|clock| clock.onset_s(FRAME.host_origin_ns, 0.0));
            assert_eq!(answer, None, "{}", peer.name());
        }
    }
}
