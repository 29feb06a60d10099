//! Patterns by closed form.

/// Names that [`crate::Pattern::builtin`] knows.
pub const BUILTIN_NAMES: [&str; 4] = ["isotropic", "figure-eight", "cardioid", "yagi-3"];

/// Deepest null that a pattern is believed to have, against its peak: deeper ones are filled by feeder imbalance
/// and scatter in any antenna that can be built.
pub(crate) const DEEPEST_NULL_DB: f64 = 80.0;

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum ClosedForm {
    Isotropic,
    FigureEight,
    Cardioid,
    Yagi3,
}

impl ClosedForm {
    pub(crate) fn by_name(name: &str) -> Option<Self> {
        match name {
            "isotropic" => Some(Self::Isotropic),
            "figure-eight" => Some(Self::FigureEight),
            "cardioid" => Some(Self::Cardioid),
            "yagi-3" => Some(Self::Yagi3),
            _ => None,
        }
    }

    /// Directivity of the form in dBi.
    ///
    /// Short dipole or small loop 10 log 1.5; a cardioid of revolution 10 log 3 (both integrals of the closed
    /// form over the sphere; Kraus, *Antennas*, chapter 2); the generic Yagi has a round figure.
    pub(crate) fn peak_gain_dbi(self) -> f64 {
        match self {
            Self::Isotropic => 0.0,
            Self::FigureEight => 10.0 * 1.5_f64.log10(),
            Self::Cardioid => 10.0 * 3.0_f64.log10(),
            Self::Yagi3 => 8.0,
        }
    }

    /// Power gain against the peak.
    pub(crate) fn power(self, off_boresight_deg: f64) -> f64 {
        let cos = off_boresight_deg.to_radians().cos();
        let power = match self {
            Self::Isotropic => 1.0,
            Self::FigureEight => cos * cos,
            Self::Cardioid => (0.5 * (1.0 + cos)).powi(2),
            Self::Yagi3 => yagi3(cos),
        };
        power.max(10_f64.powf(-DEEPEST_NULL_DB / 10.0))
    }
}

/// A generic three-element shape: field `0.25 + 0.6 cos t + 0.15 cos 2t` and a floor of -30 dB.
///
/// Half-power width 85 degrees, nulls of -30 dB at 101 degrees, rear lobe 14 dB down: in the middle of what
/// built three-element Yagis show in their H plane. The coefficients are this project's choice.
fn yagi3(cos: f64) -> f64 {
    const FLOOR: f64 = 1e-3;
    let field = 0.10 + 0.60 * cos + 0.30 * cos * cos;
    (field * field + FLOOR) / (1.0 + FLOOR)
}
