//! Normal figures apart from the simulator's and the program's own, for several test programs.

/// Numbers of a plain generator: Knuth's linear congruence, Box & Muller 1958.
pub struct Chance(pub u64);

impl Chance {
    /// Between 0 and 1, never either.
    pub fn uniform(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64 + 0.5) / 2_147_483_648.0
    }

    /// Of mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}
