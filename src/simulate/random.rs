//! A small generator of our own, so that a seed gives the same fibre for ever, on every machine.
//!
//! SplitMix64: the state walks in steps of an odd constant and each step is mixed. Source: Steele,
//! Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014 (from memory).

const STEP: u64 = 0x9E37_79B9_7F4A_7C15; // 2^64 over the golden ratio, odd

/// A stream of random numbers that its seed settles.
#[derive(Clone, Debug)]
pub struct Random {
    state: u64,
    spare: Option<f64>, // the polar method makes normal numbers in pairs
}

impl Random {
    /// The stream of this seed.
    pub fn new(seed: u64) -> Random {
        Random { state: seed, spare: None }
    }

    /// A stream for one purpose, independent of the streams of other purposes under the same seed.
    pub fn for_purpose(seed: u64, purpose: u64) -> Random {
        Random::new(mix(seed ^ mix(purpose.wrapping_mul(STEP))))
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(STEP);
        mix(self.state)
    }

    /// Even over 0 (included) to 1 (excluded), in steps of 2⁻⁵³.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    /// Even over `from` to `to`.
    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    /// Even in the logarithm over `from` to `to`, both greater than 0.
    pub fn between_log(&mut self, from: f64, to: f64) -> f64 {
        (self.between(from.ln(), to.ln())).exp()
    }

    /// A whole number, `from` and `to` included.
    pub fn whole(&mut self, from: usize, to: usize) -> usize {
        from + (self.unit() * (to - from + 1) as f64) as usize
    }

    /// Whether something of this probability happens.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// One of `choices`, which is not empty.
    pub fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.whole(0, choices.len() - 1)]
    }

    /// Normal with mean 0 and standard deviation 1.
    /// Source: the polar method, Marsaglia and Bray, SIAM Review 6 (1964) 260 (from memory).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (2.0 * self.unit() - 1.0, 2.0 * self.unit() - 1.0);
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                let factor = (-2.0 * square.ln() / square).sqrt();
                self.spare = Some(y * factor);
                return x * factor;
            }
        }
    }
}

/// Every bit of the input moves about half of the bits of the result.
fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_is_the_published_one() {
        // Reference outputs of SplitMix64 for seed 1234567, widely published (from memory).
        let mut random = Random::new(1_234_567);
        let expected = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423_u64,
            4_593_380_528_125_082_431,
        ];
        for bits in expected {
            assert_eq!(random.bits(), bits);
        }
    }

    #[test]
    fn normal_numbers_are_normal() {
        let mut random = Random::new(5);
        let n = 200_000;
        let values: Vec<f64> = (0..n).map(|_| random.normal()).collect();
        let moment = |k: i32| values.iter().map(|v| v.powi(k)).sum::<f64>() / f64::from(n);
        // Moments 0, 1, 0, 3 of the normal distribution; four sigma of each mean of n = 200,000:
        // variances of v, v², v³, v⁴ are 1, 2, 15, 96.
        for (k, expected, variance) in
            [(1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)]
        {
            let allowed = 4.0 * f64::sqrt(variance / f64::from(n));
            assert!((moment(k) - expected).abs() < allowed, "moment {k}: {}", moment(k));
        }
    }

    #[test]
    fn purposes_do_not_share_their_numbers() {
        let first = Random::for_purpose(1, 1).bits();
        assert_ne!(first, Random::for_purpose(1, 2).bits());
        assert_ne!(first, Random::for_purpose(2, 1).bits());
        assert_eq!(first, Random::for_purpose(1, 1).bits());
    }
}
