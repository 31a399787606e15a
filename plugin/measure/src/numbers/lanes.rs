//! Several numbers side by side, so that one pass of a transform does several lines at once.
//!
//! Every operation is that of `f64`, lane by lane: a transform over lanes gives each line the bits that it gets alone.

use std::ops::{Add, Div, Mul, Neg, Rem, Sub};

use rustfft::num_traits::{FromPrimitive, Num, One, Signed, Zero};

/// Numbers side by side.
pub const COUNT: usize = 4;

/// [`COUNT`] numbers that go through the same operations.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
#[repr(align(32))]
pub struct Lanes(pub [f64; COUNT]);

impl Lanes {
    #[inline(always)]
    fn zip(self, other: Self, f: impl Fn(f64, f64) -> f64) -> Self {
        Self(std::array::from_fn(|i| f(self.0[i], other.0[i])))
    }

    #[inline(always)]
    fn map(self, f: impl Fn(f64) -> f64) -> Self {
        Self(self.0.map(f))
    }

    fn all(value: f64) -> Self {
        Self([value; COUNT])
    }
}

macro_rules! operator {
    ($($name:ident $method:ident $sign:tt),*) => {
        $(impl $name for Lanes {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: Self) -> Self {
                self.zip(other, |a, b| a $sign b)
            }
        })*
    };
}
operator!(Add add +, Sub sub -, Mul mul *, Div div /, Rem rem %);

impl Neg for Lanes {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        self.map(|a| -a)
    }
}

impl Zero for Lanes {
    fn zero() -> Self {
        Self::default()
    }

    fn is_zero(&self) -> bool {
        self.0.iter().all(|&a| a == 0.0)
    }
}

impl One for Lanes {
    fn one() -> Self {
        Self::all(1.0)
    }
}

impl Num for Lanes {
    type FromStrRadixErr = <f64 as Num>::FromStrRadixErr;

    fn from_str_radix(text: &str, radix: u32) -> Result<Self, Self::FromStrRadixErr> {
        <f64 as Num>::from_str_radix(text, radix).map(Self::all)
    }
}

impl Signed for Lanes {
    fn abs(&self) -> Self {
        self.map(f64::abs)
    }

    fn abs_sub(&self, other: &Self) -> Self {
        self.zip(*other, |a, b| if a <= b { 0.0 } else { a - b })
    }

    fn signum(&self) -> Self {
        self.map(f64::signum)
    }

    fn is_positive(&self) -> bool {
        self.0.iter().all(|&a| a.is_sign_positive())
    }

    fn is_negative(&self) -> bool {
        self.0.iter().all(|&a| a.is_sign_negative())
    }
}

impl FromPrimitive for Lanes {
    fn from_i64(value: i64) -> Option<Self> {
        f64::from_i64(value).map(Self::all)
    }

    fn from_u64(value: u64) -> Option<Self> {
        f64::from_u64(value).map(Self::all)
    }

    fn from_f64(value: f64) -> Option<Self> {
        Some(Self::all(value))
    }
}
