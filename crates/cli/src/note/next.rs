//! Where to take the next bearing, in one line.

use lobewright_fix::advice::{AdviceConfig, PosteriorSamples, advise, rings};
use lobewright_types::{FixOutcome, Position};

use crate::tables;

/// The place from which a bearing is expected to tell most, seen from where one stands; nothing where no place is left.
pub(super) fn sentence(
    samples: &PosteriorSamples,
    outcome: &FixOutcome,
    from: Option<Position>,
) -> Option<String> {
    let config = AdviceConfig::default();
    let candidates = rings(samples, outcome, from, &config);
    let list = advise(samples, outcome, from, &candidates, &config);
    let best = list.first()?;
    let to = best.place.position;
    let way = from.map_or_else(String::new, |here| {
        let line = lobewright_geodesy::inverse(here, to);
        format!(
            ", {} towards {:.0}° true",
            lobewright_export::human_distance(line.distance_m),
            line.azimuth.degrees()
        )
    });
    let why = best
        .reasons
        .first()
        .map_or_else(String::new, |reason| format!(" ({reason})"));
    Some(format!(
        "next place: near {:.4}, {:.4}{way}; from there it should lie at {:.0}° true, and 95 % within about {} km²{why}",
        to.lat_deg,
        to.lon_deg,
        best.azimuth.degrees(),
        tables::significant(best.expected_area95_km2)
    ))
}
