//! Whether limits are met.

use super::expect::Expect;
use super::figures::Figures;
use super::run::Run;

/// What holds over many seeds is not judged on fewer than this: a declared fixed delay errs once for a whole session, which is then held or missed
/// as a whole.
pub const FEWEST_SEEDS: usize = 100;

/// Seeds named beside a limit that is missed.
const SEEDS_NAMED: usize = 3;

/// One limit beside what was measured.
#[derive(Clone, Debug)]
pub struct Judged {
    /// Its key.
    pub limit: &'static str,
    /// Whether it speaks of many seeds together.
    pub over_seeds: bool,
    /// Whether it is met.
    pub met: bool,
    /// The limit and what was measured, in words.
    pub words: String,
    /// The seeds that are worst by it.
    pub worst_seeds: Vec<u64>,
}

/// What is said of a whole scenario.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// All limits are met.
    Met,
    /// A limit is missed, and was known to be; the others are met.
    Known,
    /// A limit is missed.
    Missed,
    /// A limit that was known to be missed is met: the note is to be taken out.
    Mended,
}

impl Verdict {
    /// One word.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Met => "met",
            Self::Known => "known",
            Self::Missed => "MISSED",
            Self::Mended => "MENDED",
        }
    }

    /// Whether a run with it may pass.
    #[must_use]
    pub const fn passes(self) -> bool {
        matches!(self, Self::Met | Self::Known)
    }
}

fn shown(value: f64) -> String {
    if value.is_nan() { "nothing".to_owned() } else { format!("{value:.4}") }
}

struct Judge<'a> {
    runs: &'a [&'a Run],
    judged: Vec<Judged>,
}

impl Judge<'_> {
    /// A figure that is to be at least (or at most) something, worse where it is smaller (larger). A figure of nothing is no miss.
    fn figure(
        &mut self,
        limit: &'static str,
        over_seeds: bool,
        bound: f64,
        at_least: bool,
        of: fn(&Figures) -> f64,
    ) {
        let value = of(&Figures::of(self.runs.iter().copied()));
        let met = value.is_nan() || if at_least { value >= bound } else { value <= bound };
        let badness = |run: &&Run| {
            let value = of(&Figures::of(std::iter::once(*run)));
            if at_least { -value } else { value }
        };
        self.push(limit, over_seeds, met, format!("{bound}: {}", shown(value)), badness);
    }

    /// The largest difference of a count in any seed.
    fn count(&mut self, limit: &'static str, bound: u64, place: usize) {
        let off = |run: &Run| run.counted[place].abs_diff(run.truly[place]);
        let worst = self.runs.iter().map(|run| off(run)).max().unwrap_or(0);
        self.push(limit, false, worst <= bound, format!("{bound}: {worst}"), |run| off(run) as f64);
    }

    /// A share of the seeds in which all is said that should be.
    fn said(&mut self, expect: &Expect) {
        let wrong: Vec<(&&Run, String)> =
            self.runs.iter().filter_map(|run| Some((run, unsaid(run, expect)?))).collect();
        let share = 1.0 - wrong.len() as f64 / self.runs.len() as f64;
        let mut words = format!("{}: {}", expect.said_at_least, shown(share));
        if let Some((run, what)) = wrong.first() {
            words += &format!("; seed {}: {what}", run.seed);
        }
        let met = share >= expect.said_at_least;
        let seeds: Vec<u64> = wrong.iter().map(|(run, _)| run.seed).collect();
        let badness = |run: &&Run| if seeds.contains(&run.seed) { 1.0 } else { 0.0 };
        self.push("said_at_least", true, met, words, badness);
    }

    fn push(
        &mut self,
        limit: &'static str,
        over_seeds: bool,
        met: bool,
        words: String,
        badness: impl Fn(&&Run) -> f64,
    ) {
        let mut worst: Vec<(f64, u64)> = Vec::new();
        if !met {
            worst.extend(
                self.runs.iter().map(|run| (badness(run), run.seed)).filter(|(bad, _)| !bad.is_nan()),
            );
            worst.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        }
        let worst_seeds = worst.into_iter().take(SEEDS_NAMED).map(|(_, seed)| seed).collect();
        let words = format!("{limit} = {words}");
        self.judged.push(Judged { limit, over_seeds, met, words, worst_seeds });
    }
}

/// What a run does not say, or says and should not; `None` where all is as it should be.
fn unsaid(run: &Run, expect: &Expect) -> Option<String> {
    let segments = run.kinds.len();
    if segments != expect.segments as usize {
        return Some(format!("{segments} segments, not {}", expect.segments));
    }
    let kind = run.kinds.iter().find(|kind| !expect.link_kind.is_empty() && !expect.link_kind.contains(kind));
    if let Some(kind) = kind {
        return Some(format!("link {kind}, not {}", expect.link_kind.join(" or ")));
    }
    if run.changes != expect.changes {
        return Some(format!("changes [{}], not [{}]", run.changes.join(", "), expect.changes.join(", ")));
    }
    if let Some(words) = expect.says.iter().find(|words| !run.text.contains(*words)) {
        return Some(format!("does not say {words:?}"));
    }
    let words = expect.says_not.iter().find(|words| run.text.contains(*words))?;
    Some(format!("says {words:?}"))
}

/// Every limit on these runs.
pub(super) fn judge(runs: &[&Run], expect: &Expect) -> Vec<Judged> {
    let mut judge = Judge { runs, judged: Vec::new() };
    judge.figure("held_at_least", true, expect.held_at_least, true, |f| f.held);
    judge.figure("worst_ratio_at_most", false, expect.worst_ratio_at_most, false, |f| f.worst_ratio);
    judge.figure("live_held_at_least", true, expect.live_held_at_least, true, |f| f.live_held);
    let most = expect.live_worst_ratio_at_most;
    judge.figure("live_worst_ratio_at_most", false, most, false, |f| f.live_worst_ratio);
    if let Some(most_ms) = expect.p99_ms_at_most {
        judge.figure("p99_ms_at_most", true, most_ms, false, |f| f.p99_ms);
    }
    if let Some(most_ms) = expect.u95_ms_at_most {
        judge.figure("u95_ms_at_most", true, most_ms, false, |f| f.u95_ms);
    }
    if let Some(least_ms) = expect.u95_ms_at_least {
        judge.figure("u95_ms_at_least", true, least_ms, true, |f| f.u95_ms);
    }
    if let Some(least) = expect.ends_over_middle_at_least {
        judge.figure("ends_over_middle_at_least", true, least, true, |f| f.ends_over_middle);
    }
    if let Some(most) = expect.sample_ratio_at_most {
        judge.figure("sample_ratio_at_most", false, most, false, |f| f.sample_ratio);
    }
    judge.figure("status_right_at_least", false, expect.status_right_at_least, true, |f| f.status_right);
    judge.figure("unplaced_at_most", false, expect.unplaced_at_most, false, |f| f.unplaced);
    judge.figure("elsewhere_at_most", false, expect.elsewhere_at_most, false, |f| f.elsewhere);
    judge.count("lost_off_at_most", expect.lost_off_at_most, 0);
    judge.count("duplicates_off_at_most", expect.duplicates_off_at_most, 1);
    judge.count("reordered_off_at_most", expect.reordered_off_at_most, 2);
    judge.said(expect);
    judge.judged
}

/// What becomes of a scenario, with the limits that matter for it: those that are missed, and those known to be missed that are not.
///
/// `more` runs seeds that notes of known misses name and `runs` does not have.
///
/// # Errors
/// A note that names no limit, or a seed that cannot be run.
pub fn verdict(
    runs: &[Run],
    expect: &Expect,
    more: impl Fn(u64) -> Result<Run, String>,
) -> Result<(Verdict, Vec<Judged>), String> {
    let all: Vec<&Run> = runs.iter().collect();
    let (mut missed, mut known, mut mended) = (Vec::new(), Vec::new(), Vec::new());
    let many = runs.len() >= FEWEST_SEEDS;
    for judged in judge(&all, expect) {
        let noted = expect.known_miss.iter().any(|known| known.limit == judged.limit);
        match (judged.met, noted) {
            (true, false) => {}
            (false, true) => known.push(judged),
            (false, false) if many || !judged.over_seeds => missed.push(judged),
            (false, false) => {}
            // With few seeds only those of the note tell.
            (true, true) if many => mended.push(judged),
            (true, true) => {}
        }
    }
    for noted in &expect.known_miss {
        let mut own = Vec::new();
        for &seed in &noted.seeds {
            own.push(match runs.iter().find(|run| run.seed == seed) {
                Some(run) => run.clone(),
                None => more(seed)?,
            });
        }
        let own: Vec<&Run> = own.iter().collect();
        let judged = judge(&own, expect)
            .into_iter()
            .find(|judged| judged.limit == noted.limit)
            .ok_or_else(|| format!("known_miss: no limit {} here", noted.limit))?;
        if judged.met {
            mended.push(judged);
        }
    }
    let verdict = if !missed.is_empty() {
        Verdict::Missed
    } else if !mended.is_empty() {
        Verdict::Mended
    } else if !expect.known_miss.is_empty() {
        Verdict::Known
    } else {
        Verdict::Met
    };
    missed.append(&mut mended);
    missed.append(&mut known);
    Ok((verdict, missed))
}

#[cfg(test)]
mod tests {
    use super::super::expect::KnownMiss;
    use super::super::run::Answer;
    use super::*;

    /// A seed with one answer off by so much of its interval.
    fn run(seed: u64, ratio: f64) -> Run {
        let answer = Answer { at: 0.5, error_ms: ratio, sample_error_ms: ratio, u95_ms: 1.0 };
        Run {
            seed,
            events: 1,
            answers: vec![answer],
            live: vec![answer],
            elsewhere: 0,
            live_elsewhere: 0,
            status_sure: 1,
            status_wrong: 0,
            statuses: [1, 0, 0, 0],
            counted: [0; 3],
            truly: [0; 3],
            kinds: vec!["no-grid".to_owned()],
            changes: Vec::new(),
            text: "all is well".to_owned(),
        }
    }

    fn seeds(count: u64, ratio: f64) -> Vec<Run> {
        (1..=count).map(|seed| run(seed, ratio)).collect()
    }

    fn of(runs: &[Run], expect: &Expect) -> (Verdict, Vec<&'static str>) {
        let (verdict, limits) = verdict(runs, expect, |seed| Ok(run(seed, 0.5))).unwrap();
        (verdict, limits.iter().map(|limit| limit.limit).collect())
    }

    fn known(limit: &str, seeds: &[u64]) -> Vec<KnownMiss> {
        vec![KnownMiss { limit: limit.to_owned(), seeds: seeds.to_vec(), measured: "so much".to_owned() }]
    }

    #[test]
    fn what_is_known_to_be_missed_passes_only_as_long_as_it_is_missed() {
        let plain = Expect::default();
        assert_eq!(of(&seeds(2, 0.5), &plain), (Verdict::Met, vec![]));
        let noted = Expect { known_miss: known("worst_ratio_at_most", &[2]), ..plain.clone() };
        let mut one_bad = seeds(2, 0.5);
        one_bad[1] = run(2, 4.0);
        let worst = "live_worst_ratio_at_most";
        assert_eq!(of(&one_bad, &plain), (Verdict::Missed, vec!["worst_ratio_at_most", worst]));
        // One note excuses one limit.
        assert_eq!(of(&one_bad, &noted).0, Verdict::Missed);
        one_bad[1].live.clear();
        assert_eq!(of(&one_bad, &noted), (Verdict::Known, vec!["worst_ratio_at_most"]));
        assert_eq!(of(&seeds(2, 0.5), &noted).0, Verdict::Mended);
        // A seed of a note that is not among those that are run is run for it.
        let elsewhere = Expect { known_miss: known("worst_ratio_at_most", &[77]), ..plain.clone() };
        assert_eq!(of(&seeds(2, 0.5), &elsewhere).0, Verdict::Mended);
        let nowhere = Expect { known_miss: known("no_such_limit", &[1]), ..plain };
        assert!(verdict(&seeds(2, 0.5), &nowhere, |seed| Ok(run(seed, 0.5))).is_err());
    }

    #[test]
    fn limits_over_many_seeds_need_many_seeds() {
        let expect = Expect::default();
        assert_eq!(of(&seeds(FEWEST_SEEDS as u64 - 1, 1.5), &expect).0, Verdict::Met);
        let (verdict, limits) = of(&seeds(FEWEST_SEEDS as u64, 1.5), &expect);
        assert_eq!((verdict, limits), (Verdict::Missed, vec!["held_at_least", "live_held_at_least"]));
        let noted = Expect { known_miss: known("held_at_least", &[1]), ..expect };
        let mut live_held = seeds(FEWEST_SEEDS as u64, 1.5);
        live_held.iter_mut().for_each(|run| run.live[0].error_ms = 0.0);
        assert_eq!(of(&live_held, &noted).0, Verdict::Known);
    }

    #[test]
    fn each_limit_is_missed_by_what_it_forbids() {
        type Change = fn(&mut Run, &mut Expect);
        let cases: [(&str, Change); 17] = [
            ("held_at_least", |run, _| run.elsewhere = 1),
            ("worst_ratio_at_most", |run, _| run.answers[0].error_ms = -3.1),
            ("live_held_at_least", |run, _| run.live_elsewhere = 1),
            ("live_worst_ratio_at_most", |run, _| run.live[0].u95_ms = 0.0),
            ("p99_ms_at_most", |_, expect| expect.p99_ms_at_most = Some(0.4)),
            ("u95_ms_at_most", |_, expect| expect.u95_ms_at_most = Some(0.9)),
            ("u95_ms_at_least", |_, expect| expect.u95_ms_at_least = Some(1.1)),
            ("sample_ratio_at_most", |_, expect| expect.sample_ratio_at_most = Some(0.4)),
            ("status_right_at_least", |run, _| run.status_wrong = 1),
            ("unplaced_at_most", |run, _| run.statuses = [0, 0, 0, 1]),
            ("elsewhere_at_most", |run, _| run.elsewhere = 1),
            ("lost_off_at_most", |run, _| run.counted[0] = 1),
            ("duplicates_off_at_most", |run, _| run.truly[1] = 1),
            ("reordered_off_at_most", |run, _| run.counted[2] = 1),
            ("said_at_least", |run, _| run.kinds.push("no-grid".to_owned())),
            ("said_at_least", |run, _| run.changes.push("host-suspend".to_owned())),
            ("said_at_least", |_, expect| expect.says_not = vec!["well".to_owned()]),
        ];
        for (limit, change) in cases {
            let (mut runs, mut expect) = (seeds(FEWEST_SEEDS as u64, 0.5), Expect::default());
            runs.iter_mut().for_each(|run| change(run, &mut expect));
            let (verdict, limits) = of(&runs, &expect);
            assert!(verdict == Verdict::Missed && limits.contains(&limit), "{limit}: {limits:?}");
        }
    }

    #[test]
    fn what_is_not_said_is_told_with_its_reason() {
        let said = |expect: &Expect| unsaid(&run(1, 0.5), expect);
        assert_eq!(said(&Expect::default()), None);
        let expect = Expect { link_kind: vec!["congested".to_owned()], ..Expect::default() };
        assert_eq!(said(&expect).unwrap(), "link no-grid, not congested");
        let expect = Expect { says: vec!["all is".to_owned(), "lost".to_owned()], ..Expect::default() };
        assert_eq!(said(&expect).unwrap(), "does not say \"lost\"");
    }
}
