//! Random numbers from a seed: xoshiro256++ (Blackman and Vigna 2019), seeded by SplitMix64, and normal
//! deviates by Box and Muller (1958).

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub struct Noise {
    s: [u64; 4],
    spare: Option<f64>,
}

fn split_mix(x: &mut u64) -> u64 {
    *x = x.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *x;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Noise {
    /// A stream of its own for each purpose, so that a change in one does not move the others.
    #[must_use]
    pub fn new(seed: u64, purpose: &str) -> Self {
        // FNV-1a over the purpose.
        let mut x = purpose.bytes().fold(0xCBF2_9CE4_8422_2325_u64 ^ seed, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01B3));
        Self { s: [split_mix(&mut x), split_mix(&mut x), split_mix(&mut x), split_mix(&mut x)], spare: None }
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        let s = &mut self.s;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Uniform in 0 (with) to 1 (without).
    pub fn uniform(&mut self) -> f64 {
        #[allow(clippy::cast_precision_loss)]
        let x = (self.bits() >> 11) as f64;
        x / 9_007_199_254_740_992.0
    }

    /// Uniform between two bounds.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Normal with mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        if let Some(x) = self.spare.take() {
            return x;
        }
        let r = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        let a = core::f64::consts::TAU * self.uniform();
        self.spare = Some(r * libm::sin(a));
        r * libm::cos(a)
    }
}

/// First-order autoregressive noise with standard deviation 1: neighbours `dt_s` apart correlate by
/// exp(-dt/tau).
#[derive(Clone, Debug)]
pub struct Correlated {
    phi: f64,
    kick: f64,
    x: f64,
}

impl Correlated {
    /// Starts in the steady state.
    pub fn new(noise: &mut Noise, dt_s: f64, tau_s: f64) -> Self {
        let phi = libm::exp(-dt_s / tau_s);
        Self { phi, kick: libm::sqrt(1.0 - phi * phi), x: noise.normal() }
    }

    /// The next value.
    pub fn next(&mut self, noise: &mut Noise) -> f64 {
        self.x = self.phi * self.x + self.kick * noise.normal();
        self.x
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_and_correlated_have_the_moments_they_claim() {
        let mut n = Noise::new(1, "test");
        let xs: Vec<f64> = (0..200_000).map(|_| n.normal()).collect();
        let mean = xs.iter().sum::<f64>() / 200_000.0;
        let var = xs.iter().map(|x| x * x).sum::<f64>() / 200_000.0;
        assert!(mean.abs() < 0.01 && (var - 1.0).abs() < 0.015, "{mean} {var}");
        let mut c = Correlated::new(&mut n, 0.2, 2.0);
        let ys: Vec<f64> = (0..400_000).map(|_| c.next(&mut n)).collect();
        let lag = ys.windows(11).map(|w| w[0] * w[10]).sum::<f64>() / 400_000.0;
        // Ten steps of 0.2 s are one correlation time: exp(-1).
        assert!((lag - 0.3679).abs() < 0.02, "{lag}");
    }

    #[test]
    fn streams_are_fixed_and_differ_by_purpose() {
        assert_eq!(Noise::new(7, "a").bits(), Noise::new(7, "a").bits());
        assert_ne!(Noise::new(7, "a").bits(), Noise::new(7, "b").bits());
    }
}
