//! Which codes a component uses: the step between them and whether there are enough to say so.

use super::scan::Row;

/// Codes that must have been seen before a step is told.
const ENOUGH_CODES: u32 = 16;

/// Codes of one component of whole frames since the segment began.
#[derive(Debug, Clone)]
pub struct CodeSteps {
    /// OR and AND of all codes.
    bits: (u16, u16),
    occupied: u32,
    seen: Vec<u64>,
}

impl Default for CodeSteps {
    fn default() -> Self {
        Self { bits: (0, u16::MAX), occupied: 0, seen: vec![0; 1024] }
    }
}

impl CodeSteps {
    /// Whether the step is 1 and can become no other: rows need tell nothing more.
    #[must_use]
    pub fn is_finest(&self) -> bool {
        self.step() == Some(1)
    }

    /// Takes in a row of which `found` was found: bits and extremes, unless the step [`Self::is_finest`].
    pub fn row(&mut self, codes: impl Iterator<Item = u16>, found: &Row) {
        if self.is_finest() {
            return;
        }
        self.bits = (self.bits.0 | found.bits.0, self.bits.1 & found.bits.1);
        if self.occupied >= ENOUGH_CODES || self.all_seen(found.low, found.high) {
            return;
        }
        for code in codes {
            let word = &mut self.seen[usize::from(code >> 6)];
            let bit = 1 << (code & 63);
            if *word & bit == 0 {
                *word |= bit;
                self.occupied += 1;
            }
        }
    }

    /// Whether all codes that can lie from `low` to `high` were seen: few, as long as few were seen at all.
    fn all_seen(&self, low: u16, high: u16) -> bool {
        let step = 1 << (self.bits.0 & !self.bits.1).trailing_zeros().min(15);
        let seen = |code: u16| self.seen[usize::from(code >> 6)] & (1 << (code & 63)) != 0;
        low > high || (low..=high).step_by(step).all(seen)
    }

    /// Largest power of two that divides all differences of codes; `None` below 16 occupied codes.
    #[must_use]
    pub fn step(&self) -> Option<u32> {
        let differing = self.bits.0 & !self.bits.1;
        (self.occupied >= ENOUGH_CODES).then(|| 1 << differing.trailing_zeros().min(15))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sums::kernels::oracle;

    fn add(steps: &mut CodeSteps, row: &[u16]) {
        let (low, high) = oracle::extremes(row).unwrap_or((u16::MAX, 0));
        steps.row(row.iter().copied(), &Row { bits: oracle::bits(row), low, high, sum: 0 });
    }

    #[test]
    fn eight_bits_in_ten_have_a_step_of_four() {
        let mut steps = CodeSteps::default();
        add(&mut steps, &(16..31u16).map(|x| 4 * x).collect::<Vec<_>>());
        assert_eq!(steps.step(), None, "15 codes are too few");
        add(&mut steps, &[4 * 31]);
        assert_eq!(steps.step(), Some(4));
        add(&mut steps, &[4 * 31 + 2]);
        assert_eq!(steps.step(), Some(2));
        add(&mut steps, &[4 * 31 + 1]);
        assert_eq!(steps.step(), Some(1));
    }

    #[test]
    fn steps_are_those_of_the_plain_loop() {
        for mask in [0xffff, 0xfffc, 0xff00, 0x0ff0] {
            let row: Vec<u16> = (0..500u16).map(|x| x.wrapping_mul(40_503) & mask).collect();
            let mut steps = CodeSteps::default();
            row.chunks(37).for_each(|part| add(&mut steps, part));
            let bits = row.iter().fold(0, |bits, x| bits | (x ^ row[0]));
            assert_eq!(steps.step(), Some(1 << bits.trailing_zeros()));
        }
    }

    #[test]
    fn the_step_does_not_depend_on_the_first_code() {
        for offset in 0..4u16 {
            let mut steps = CodeSteps::default();
            add(&mut steps, &(0..20u16).map(|x| 4 * x + offset).collect::<Vec<_>>());
            assert_eq!(steps.step(), Some(4));
        }
    }
}
