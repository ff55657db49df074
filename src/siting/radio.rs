//! Powers, gains and noise of a radio link, in decibels.
//!
//! What this is not: losses of the path are in `path` and `diffraction`.

/// The speed of light in metres a second (SI, exact).
pub const LIGHT_M_PER_S: f64 = 299_792_458.0;
/// The Boltzmann constant in joules a kelvin (SI, exact).
pub const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;
/// The gain of a half-wave dipole over an isotropic antenna, in dB: the difference of EIRP and ERP. From memory.
pub const DIPOLE_DBI: f64 = 2.15;
/// The usual temperature for the noise of a receiver, in kelvin.
pub const NOISE_TEMPERATURE_K: f64 = 290.0;

/// The wavelength in metres.
pub fn wavelength_m(frequency_mhz: f64) -> f64 {
    LIGHT_M_PER_S / (frequency_mhz * 1e6)
}

/// Watts as decibels over a milliwatt.
pub fn dbm_of_watts(watts: f64) -> f64 {
    10.0 * watts.log10() + 30.0
}

/// Decibels over a milliwatt as watts.
pub fn watts_of_dbm(dbm: f64) -> f64 {
    10f64.powf((dbm - 30.0) / 10.0)
}

/// The equivalent isotropically radiated power, in dBm.
pub fn eirp_dbm(transmit_dbm: f64, gain_dbi: f64, cable_loss_db: f64) -> f64 {
    transmit_dbm + gain_dbi - cable_loss_db
}

/// The effective radiated power, over a half-wave dipole, in dBm.
pub fn erp_dbm(eirp_dbm: f64) -> f64 {
    eirp_dbm - DIPOLE_DBI
}

/// The thermal noise k T B, in dBm.
pub fn thermal_noise_dbm(temperature_k: f64, bandwidth_hz: f64) -> f64 {
    dbm_of_watts(BOLTZMANN_J_PER_K * temperature_k * bandwidth_hz)
}

/// What a receiver needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Receiver {
    /// The weakest level that it receives, in dBm, by its maker.
    Sensitivity { dbm: f64 },
    /// From the noise in its bandwidth.
    Noise { bandwidth_hz: f64, noise_figure_db: f64, required_snr_db: f64, temperature_k: f64 },
    /// From the energy of a bit over the noise density.
    BitRate { bits_per_s: f64, noise_figure_db: f64, required_ebn0_db: f64, temperature_k: f64 },
}

impl Receiver {
    /// The thermal noise, and the same with the receiver's own noise, in dBm. `None` if only the sensitivity is known.
    pub fn noise_dbm(&self) -> Option<(f64, f64)> {
        let (bandwidth_hz, figure_db, temperature_k) = match *self {
            Self::Sensitivity { .. } => return None,
            Self::Noise { bandwidth_hz, noise_figure_db, temperature_k, .. } => {
                (bandwidth_hz, noise_figure_db, temperature_k)
            }
            // Eb/N0 is the signal-to-noise ratio in a bandwidth of one bit rate.
            Self::BitRate { bits_per_s, noise_figure_db, temperature_k, .. } => {
                (bits_per_s, noise_figure_db, temperature_k)
            }
        };
        let thermal = thermal_noise_dbm(temperature_k, bandwidth_hz);
        Some((thermal, thermal + figure_db))
    }

    /// The weakest level that it receives, in dBm.
    pub fn sensitivity_dbm(&self) -> f64 {
        let floor_dbm = self.noise_dbm().map_or(0.0, |(_, floor)| floor);
        match *self {
            Self::Sensitivity { dbm } => dbm,
            Self::Noise { required_snr_db, .. } => floor_dbm + required_snr_db,
            Self::BitRate { required_ebn0_db, .. } => floor_dbm + required_ebn0_db,
        }
    }
}
