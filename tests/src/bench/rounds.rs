//! Turns of all parties in rounds, and what comes of them: medians of the ratios within a round, so that whatever
//! slows the machine for a while slows both sides.

use super::plan::Plan;

/// One that is timed: a turn of some frames, ns a frame.
pub type Turn<'a> = Box<dyn FnMut() -> Result<f64, String> + 'a>;

/// Quartiles of what was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// A quarter lies below.
    pub low: f64,
    /// Half lies below.
    pub median: f64,
    /// Three quarters lie below.
    pub high: f64,
}

impl Spread {
    /// Quartiles of `values`.
    #[must_use]
    pub fn of(mut values: Vec<f64>) -> Self {
        values.sort_by(f64::total_cmp);
        Self { low: quantile(&values, 0.25), median: quantile(&values, 0.5), high: quantile(&values, 0.75) }
    }

    /// A number that was found once.
    #[must_use]
    pub const fn once(value: f64) -> Self {
        Self { low: value, median: value, high: value }
    }
}

/// The value below which the share `p` of the sorted `values` lies, between neighbours by a straight line.
#[must_use]
pub fn quantile(values: &[f64], p: f64) -> f64 {
    let at = p * values.len().saturating_sub(1) as f64;
    let pick = |index: f64| values.get(index as usize).copied().unwrap_or(f64::NAN);
    let (below, above) = (pick(at.floor()), pick(at.ceil()));
    below + (above - below) * at.fract()
}

/// Times of all parties in all rounds.
#[derive(Debug)]
pub struct Rounds {
    names: Vec<String>,
    /// One vector a round, in the order of the names.
    times: Vec<Vec<f64>>,
}

impl Rounds {
    /// Lets the parties take turns; each round begins with another one.
    ///
    /// # Errors
    /// Those of a turn.
    pub fn run(mut parties: Vec<(String, Turn<'_>)>, plan: &Plan) -> Result<Self, String> {
        let count = parties.len();
        let mut times = Vec::new();
        for round in 0..plan.rounds {
            let mut found = vec![0.0; count];
            for turn in 0..count {
                let party = (turn + round) % count;
                let (name, take) = &mut parties[party];
                found[party] = take().map_err(|problem| format!("{name}: {problem}"))?;
            }
            if round >= plan.discarded {
                times.push(found);
            }
        }
        Ok(Self { names: parties.into_iter().map(|(name, _)| name).collect(), times })
    }

    /// Quartiles of a number that `compute` makes from the times of one round, by name.
    ///
    /// # Panics
    /// Where a name is not that of a party.
    #[must_use]
    pub fn of(&self, compute: impl Fn(&dyn Fn(&str) -> f64) -> f64) -> Spread {
        let rounds = self.times.iter().map(|times| {
            compute(&|name| {
                let found = self.names.iter().position(|known| known == name);
                times[found.unwrap_or_else(|| panic!("{name} takes part"))]
            })
        });
        Spread::of(rounds.collect())
    }

    /// Quartiles of `over` / `under`.
    #[must_use]
    pub fn ratio(&self, over: &str, under: &str) -> Spread {
        self.of(|time| time(over) / time(under))
    }

    /// Names and quartiles in milliseconds.
    pub fn milliseconds(&self) -> impl Iterator<Item = (&str, Spread)> {
        self.names.iter().map(|name| (name.as_str(), self.of(|time| time(name) / 1e6)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quartiles_lie_between_neighbours() {
        let spread = Spread::of(vec![4.0, 1.0, 2.0, 3.0]);
        assert_eq!(spread, Spread { low: 1.75, median: 2.5, high: 3.25 });
        assert_eq!(Spread::of(vec![7.0]), Spread::once(7.0));
    }

    #[test]
    fn every_party_takes_part_in_every_round_and_ratios_stay_within_one() {
        let mut slow = 0.0;
        let mut parties: Vec<(String, Turn<'_>)> = Vec::new();
        for factor in [1.0, 3.0] {
            parties.push((
                format!("{factor}"),
                Box::new(move || {
                    slow += 1.0;
                    Ok(slow * factor)
                }),
            ));
        }
        let rounds =
            Rounds::run(parties, &Plan { rounds: 5, discarded: 2, ..Plan::quick() }).expect("no failure");
        assert_eq!(rounds.ratio("3", "1"), Spread::once(3.0));
        assert_eq!(rounds.of(|time| time("1")), Spread { low: 3.5, median: 4.0, high: 4.5 });
    }
}
