//! The loss through woodland.
//!
//! Source: ITU-R P.833 (edition 9 as cited in public code, not read): A = Am (1 - exp(-d γ / Am)), for one antenna in the
//! wood. γ and Am depend on the wood; they are the user's figures.

/// A wood on the path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Woodland {
    /// The length of the path through the wood, in metres.
    pub depth_m: f64,
    /// The loss of the first metres, in dB a metre.
    pub db_per_m: f64,
    /// The most that the wood takes, in dB: beyond it, the radio goes around or over.
    pub most_db: f64,
}

impl Woodland {
    /// The loss in dB.
    pub fn loss_db(&self) -> f64 {
        if self.most_db <= 0.0 {
            return 0.0;
        }
        self.most_db * (1.0 - (-self.depth_m * self.db_per_m / self.most_db).exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thin_wood_takes_its_share_by_length_and_a_deep_one_its_most() {
        // The row for 949 MHz of the table in ITU-R P.833-9, as cited in public code: 0.17 dB/m, at most 26.5 dB.
        let wood = |depth_m| Woodland { depth_m, db_per_m: 0.17, most_db: 26.5 }.loss_db();
        assert_eq!(wood(0.0), 0.0);
        assert!((wood(1.0) - 0.17).abs() < 1e-3, "{}", wood(1.0));
        assert!((wood(100.0) - 26.5 * (1.0 - (-17.0f64 / 26.5).exp())).abs() < 1e-12);
        assert!((wood(10_000.0) - 26.5).abs() < 1e-6);
        assert_eq!(Woodland { depth_m: 10.0, db_per_m: 0.1, most_db: 0.0 }.loss_db(), 0.0);
    }
}
