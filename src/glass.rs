//! What glass does to light, by textbook formulas: why a joint loses, what an open gap costs, what
//! fibre scatters back. For readers of a trace who ask what a figure may mean; nothing is judged by it.

use std::f64::consts::{LN_10, PI};

use crate::units::LIGHT_SPEED_M_PER_S;

/// dB for one neper of power.
const DB: f64 = 10.0 / LN_10;

/// Loss in dB of two equal single-mode fibres whose cores lie `offset_um` apart; `field_radius_um` is
/// half the mode-field diameter. Source: Gaussian overlap, Marcuse 1977 (formula from memory).
pub fn offset_loss_db(offset_um: f64, field_radius_um: f64) -> f64 {
    DB * (offset_um / field_radius_um).powi(2)
}

/// Loss in dB of two equal single-mode fibres that meet at `tilt_deg`, in glass of `index`.
/// Source: Gaussian overlap, Marcuse 1977 (formula from memory).
pub fn tilt_loss_db(tilt_deg: f64, field_radius_um: f64, wavelength_nm: f64, index: f64) -> f64 {
    DB * (PI * index * field_radius_um * tilt_deg.to_radians() / (1e-3 * wavelength_nm)).powi(2)
}

/// Share of power that one surface of glass of `index` in air reflects. Source: Fresnel.
fn surface_reflection(index: f64) -> f64 {
    ((index - 1.0) / (index + 1.0)).powi(2)
}

/// Loss in dB of an air gap between two flat ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GapLoss {
    /// Both surfaces passed once.
    pub two_surfaces_db: f64,
    /// With all light that bounces between them, its phase of no account.
    pub with_bounces_db: f64,
    /// The worst that a gap of one certain width can do: both reflections in phase.
    pub worst_db: f64,
}

/// What an air gap loses, by the three formulas that texts mix. Source: Fresnel, Airy.
pub fn gap_loss_db(index: f64) -> GapLoss {
    let r = surface_reflection(index);
    let db = |passed: f64| -10.0 * passed.log10();
    GapLoss {
        two_surfaces_db: db((1.0 - r).powi(2)),
        with_bounces_db: db((1.0 - r) / (1.0 + r)),
        worst_db: db(((1.0 - r) / (1.0 + r)).powi(2)),
    }
}

/// Backscatter coefficient in dB for a pulse of 1 ns: what fibre scatters over the length of the pulse,
/// and the share of that which the core catches backwards.
///
/// `scattering_db_per_km`: attenuation by scattering alone; `aperture`: numerical aperture.
/// Source: capture factor `(NA/n)²/4.55` of single-mode fibre, a textbook formula (from memory).
pub fn backscatter_db(scattering_db_per_km: f64, aperture: f64, index: f64) -> f64 {
    let caught = (aperture / index).powi(2) / 4.55;
    let per_m = scattering_db_per_km / DB / 1000.0;
    let pulse_m = LIGHT_SPEED_M_PER_S * 1e-9 / (2.0 * index);
    10.0 * (caught * per_m * pulse_m).log10()
}
