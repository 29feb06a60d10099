//! Places: by name, by coordinates, or where the last reading was taken.

use lobewright_export::{HuntFact, HuntLog};
use lobewright_types::Position;

/// Standard deviation of a place on each axis where the coordinates say it no better: a handheld satellite receiver or a
/// good map (common practice, no source).
const POSITION_SIGMA_M: f64 = 10.0;
/// Nearer than this, in metres, two places are one.
const SAME_M: f64 = 1.0;

/// Where a reading was taken.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Place {
    pub(super) name: String,
    pub(super) position: Position,
    /// Standard deviation on each axis.
    pub(super) sigma_m: f64,
    /// It was named before.
    pub(super) known: bool,
}

/// The places of a log.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    list: Vec<Place>,
    last: Option<usize>,
}

impl Places {
    /// Gathers them: the last position given to a name is its place.
    pub(super) fn of(log: &HuntLog) -> Self {
        let mut places = Self::default();
        for entry in log.standing() {
            let (name, position, sigma_m) = match &entry.fact {
                HuntFact::Bearing { bearing: b, .. } => (&b.station, b.position, b.position_sigma_m),
                HuntFact::Level { level: l, .. } => (&l.station, l.position, l.position_sigma_m),
                HuntFact::Silence { silence: s } => (&s.station, s.position, POSITION_SIGMA_M),
                _ => continue,
            };
            let found = places.list.iter().position(|p| &p.name == name);
            let at = found.unwrap_or_else(|| {
                places.list.push(Place {
                    name: name.clone(),
                    position,
                    sigma_m,
                    known: true,
                });
                places.list.len() - 1
            });
            places.list[at].position = position;
            places.list[at].sigma_m = sigma_m;
            places.last = Some(at);
        }
        places
    }

    /// Reads an answer: `@last`, a name that was given before, or coordinates in any form.
    pub(super) fn find(&self, text: &str) -> Result<Place, String> {
        let text = text.trim();
        if text.eq_ignore_ascii_case("@last") {
            return self
                .last
                .map(|at| self.list[at].clone())
                .ok_or_else(|| "there is no earlier place yet; give coordinates".to_owned());
        }
        if let Some(place) = self.named(text) {
            return Ok(place);
        }
        let parsed = lobewright_geodesy::parse_position(text).map_err(|e| {
            let names: Vec<&str> = self.list.iter().map(|p| p.name.as_str()).collect();
            if names.is_empty() {
                e.to_string()
            } else {
                format!("{e}; names used before are {}", names.join(", "))
            }
        })?;
        let near = |p: &&Place| lobewright_geodesy::inverse(p.position, parsed.position).distance_m < SAME_M;
        Ok(match self.list.iter().find(near) {
            Some(place) => place.clone(),
            None => Place {
                name: self.free_name(),
                position: parsed.position,
                sigma_m: parsed.sigma_m().max(POSITION_SIGMA_M),
                known: false,
            },
        })
    }

    fn named(&self, text: &str) -> Option<Place> {
        let same = |p: &&Place| p.name.to_lowercase() == text.to_lowercase();
        self.list.iter().find(same).cloned()
    }

    /// Checks the name of a new place: it must be new too.
    pub(super) fn check_name(&self, text: &str) -> Result<String, String> {
        let name = text.trim();
        if name.is_empty() || name.starts_with('@') {
            return Err("the name must be a word or more, and not begin with @".to_owned());
        }
        match self.named(name) {
            Some(_) => Err(format!(
                "the name `{name}` stands for another place already; give this one another"
            )),
            None => Ok(name.to_owned()),
        }
    }

    fn free_name(&self) -> String {
        let mut number = self.list.len() + 1;
        while self.named(&format!("place {number}")).is_some() {
            number += 1;
        }
        format!("place {number}")
    }

    /// Where the last reading was taken.
    pub(super) fn last(&self) -> Option<Position> {
        self.last.map(|at| self.list[at].position)
    }

    /// Whether there is a place for `@last`.
    pub(super) fn has_last(&self) -> bool {
        self.last.is_some()
    }
}
