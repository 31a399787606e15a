//! Which codes a component uses: the step between them and whether there are enough to say so.

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
    /// Takes in a row whose codes have the OR and AND `bits`.
    pub fn row(&mut self, row: &[u16], bits: (u16, u16)) {
        self.bits = (self.bits.0 | bits.0, self.bits.1 & bits.1);
        if self.occupied < ENOUGH_CODES {
            for &code in row {
                let word = &mut self.seen[usize::from(code >> 6)];
                let bit = 1 << (code & 63);
                if *word & bit == 0 {
                    *word |= bit;
                    self.occupied += 1;
                }
            }
        }
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
        steps.row(row, oracle::bits(row));
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
