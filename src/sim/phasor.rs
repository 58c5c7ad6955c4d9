//! Phasors: voltages and currents of one frequency as complex root-mean-square values.

use std::ops::{Add, AddAssign, Mul, Neg, Sub};

/// A complex number.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Phasor {
    /// Along the reference.
    pub re: f64,
    /// 90 degrees ahead of it.
    pub im: f64,
}

impl Phasor {
    /// Nothing.
    pub const ZERO: Self = Self { re: 0.0, im: 0.0 };

    /// From its parts.
    pub const fn new(re: f64, im: f64) -> Self {
        Self { re, im }
    }

    /// From its size and its angle in degrees.
    pub fn polar(size: f64, degrees: f64) -> Self {
        let radians = degrees.to_radians();
        Self { re: size * libm::cos(radians), im: size * libm::sin(radians) }
    }

    /// The mirror image: angle turned round.
    #[must_use]
    pub const fn conj(self) -> Self {
        Self { re: self.re, im: -self.im }
    }

    /// The square of its size.
    pub const fn square(self) -> f64 {
        self.re * self.re + self.im * self.im
    }

    /// Its size.
    pub fn size(self) -> f64 {
        self.square().sqrt()
    }

    /// Times a plain number.
    #[must_use]
    pub const fn scaled(self, factor: f64) -> Self {
        Self { re: self.re * factor, im: self.im * factor }
    }

    /// The current that carries the power `self` (W + j var, positive drawn) at a voltage: conj(S / V). Nothing without voltage.
    #[must_use]
    pub fn current_at(self, volts: Self) -> Self {
        let square = volts.square();
        if square < 1e-6 {
            return Self::ZERO;
        }
        // conj(S / V) = conj(S) V / |V|²
        (self.conj() * volts).scaled(1.0 / square)
    }
}

impl Add for Phasor {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { re: self.re + other.re, im: self.im + other.im }
    }
}

impl AddAssign for Phasor {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Phasor {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { re: self.re - other.re, im: self.im - other.im }
    }
}

impl Neg for Phasor {
    type Output = Self;
    fn neg(self) -> Self {
        Self { re: -self.re, im: -self.im }
    }
}

impl Mul for Phasor {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_current_of_a_power_gives_the_power_back() {
        let volts = Phasor::polar(231.0, -120.0);
        let power = Phasor::new(1200.0, 450.0);
        let back = volts * power.current_at(volts).conj();
        assert!((back - power).size() < 1e-9);
        assert_eq!(power.current_at(Phasor::ZERO), Phasor::ZERO);
    }
}
