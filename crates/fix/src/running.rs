//! A fix that is kept up to date while bearings come in.

use lobewright_geodesy::EarthPoint;
use lobewright_types::{Bearing, FixOutcome};

use crate::config::FixConfig;
use crate::evidence::{Evidence, Scene};
use crate::likelihood::{Domain, Shared, Surface};
use crate::places::{self, Group};
use crate::search::Cell;
use crate::solve::{self, no_fix};
use crate::tile::{self, Tile};

/// After so many times the bearings it was laid for the polynomial and the steps of the heading errors are laid anew.
const GROWTH: f64 = 1.5;
/// Parts of the posterior within so many nats of the top must lie inside the polynomial's rectangle, so far out at most.
const HELD_NATS: f64 = 8.0;
const HELD_OUT: f64 = 0.97;

/// A fix of bearings that come one by one.
///
/// The outcome is that of [`crate::solve`] with the same bearings, within `config.grid_tolerance`. With some dozens of places and more, where
/// they agree on one small part of the map, the log likelihood over that part is kept as a polynomial; a new bearing is added to it, and
/// the earlier ones are not looked at again until the posterior leaves the part or half as many bearings again have come. Else all is computed anew.
///
/// ```
/// # let bearings: Vec<lobewright_types::Bearing> = Vec::new();
/// let mut running = lobewright_fix::RunningFix::new(lobewright_fix::FixConfig::default());
/// for bearing in bearings {
///     running.add_bearing(bearing);
///     let outcome = running.outcome();
/// }
/// ```
#[derive(Debug)]
pub struct RunningFix {
    config: FixConfig,
    bearings: Vec<Bearing>,
    held: Option<Held>,
}

/// What is kept from one outcome to the next.
#[derive(Debug)]
struct Held {
    scene: Scene,
    domain: Domain,
    singles: Vec<usize>,
    shared: Vec<Shared>,
    tile: Tile,
    points: Vec<EarthPoint>,
    cells: Vec<Cell>,
    /// Bearings when the polynomial was laid.
    laid: usize,
}

impl RunningFix {
    /// A fix without bearings.
    pub fn new(config: FixConfig) -> Self {
        Self {
            config: config.clamped(),
            bearings: Vec::new(),
            held: None,
        }
    }

    /// The bearings, in the order they came.
    pub fn bearings(&self) -> &[Bearing] {
        &self.bearings
    }

    /// Takes another bearing in.
    pub fn add_bearing(&mut self, bearing: Bearing) {
        self.bearings.push(bearing);
        let taken = self
            .held
            .as_mut()
            .is_some_and(|held| held.take(&self.bearings, &self.config).is_some());
        if !taken {
            self.held = None;
        }
    }

    /// Takes the bearings of a name back; says whether there were any.
    pub fn remove(&mut self, id: &str) -> bool {
        let before = self.bearings.len();
        self.bearings.retain(|b| b.id != id);
        let removed = self.bearings.len() < before;
        if removed {
            self.held = None;
        }
        removed
    }

    /// The position from all bearings so far, as [`crate::solve`] gives it.
    pub fn outcome(&mut self) -> FixOutcome {
        if let Some(held) = self.held.take()
            && let Some((outcome, held)) = held.outcome(&self.bearings, &self.config)
        {
            self.held = Some(held);
            return outcome;
        }
        let (outcome, held) = anew(&self.bearings, &self.config);
        self.held = held;
        outcome
    }
}

/// All from the start.
fn anew(bearings: &[Bearing], config: &FixConfig) -> (FixOutcome, Option<Held>) {
    let evidence = Evidence {
        bearings,
        ..Evidence::default()
    };
    let scene = match Scene::new(&evidence, config) {
        Ok(scene) => scene,
        Err(reason) => return (no_fix(reason), None),
    };
    let mut surface = Surface::new(&scene.places, scene.first_domain(config));
    let cells = solve::settle(&mut surface, config);
    let grid = solve::refined(&surface, &cells, config);
    let outcome = solve::conclude(&scene, bearings, &grid, &surface, config);
    drop(grid);
    let domain = surface.domain;
    let Some((singles, shared, tile)) = surface.into_held() else {
        return (outcome, None);
    };
    let points = tile
        .patch
        .points_m()
        .iter()
        .map(|p| domain.frame.from_local(p.0, p.1).into())
        .collect();
    let laid = bearings.len();
    let held = Held {
        scene,
        domain,
        singles,
        shared,
        tile,
        points,
        cells,
        laid,
    };
    (outcome, Some(held))
}

impl Held {
    /// Takes the last bearing in; nothing where that asks for more than another term of the sum.
    fn take(&mut self, bearings: &[Bearing], config: &FixConfig) -> Option<()> {
        let bearing = bearings.last()?;
        if bearings.len() as f64 > GROWTH * self.laid as f64 {
            return None;
        }
        if !places::usable(bearing) {
            return Some(());
        }
        let name = places::compass_of(bearing);
        let Some(group) = self.scene.places.groups.iter().position(|g| g.name == name) else {
            self.scene.places.groups.push(Group {
                name: name.to_owned(),
                prior: None,
            });
            let group = self.scene.places.groups.len() - 1;
            return self.add_place(bearings, group, 0.0, config);
        };
        // Another place may bring a prior where there was none: a matter for a new start, and so is a larger heading error.
        let stated_deg = self.scene.places.groups[group].prior?.stated_deg;
        if bearing.heading_sigma_deg > stated_deg {
            return None;
        }
        let known = self
            .scene
            .places
            .list
            .iter()
            .position(|p| p.group == group && places::same_place(&bearings[p.members[0]], bearing));
        let Some(known) = known else {
            return self.add_place(bearings, group, stated_deg, config);
        };
        self.join(bearings, known, stated_deg, config);
        Some(())
    }

    fn add_place(
        &mut self,
        bearings: &[Bearing],
        group: usize,
        stated_deg: f64,
        config: &FixConfig,
    ) -> Option<()> {
        let k = self.scene.places.list.len();
        let stretched = k > places::MANY_PLACES;
        if stretched != (k + 1 > places::MANY_PLACES) {
            return None;
        }
        let members = [bearings.len() - 1];
        let mut place = places::one_place(bearings, &members, group, (stated_deg, stated_deg > 0.0), config);
        if stretched {
            place.stretch();
        }
        self.scene.places.list.push(place);
        let slot = self.shared.binary_search_by_key(&group, |s| s.group);
        match slot {
            Ok(slot) => self.shared[slot].members.push(k),
            Err(_) => self.singles.push(k),
        }
        self.weigh(k, slot.ok(), 1.0);
        self.tile.settle();
        Some(())
    }

    /// Another bearing of a known place.
    fn join(&mut self, bearings: &[Bearing], known: usize, stated_deg: f64, config: &FixConfig) {
        let group = self.scene.places.list[known].group;
        let slot = self.shared.binary_search_by_key(&group, |s| s.group).ok();
        self.weigh(known, slot, -1.0);
        let mut members = self.scene.places.list[known].members.clone();
        members.push(bearings.len() - 1);
        let mut place = places::one_place(bearings, &members, group, (stated_deg, stated_deg > 0.0), config);
        if self.scene.places.list.len() > places::MANY_PLACES {
            place.stretch();
        }
        self.scene.places.list[known] = place;
        self.weigh(known, slot, 1.0);
        self.tile.settle();
    }

    /// Adds a place to the polynomial, or takes it out.
    fn weigh(&mut self, place: usize, slot: Option<usize>, sign: f64) {
        let place = &self.scene.places.list[place];
        let add = |to: &mut [f64], values: &[f64]| {
            for (c, v) in to.iter_mut().zip(tile::coefficients(values)) {
                *c += sign * v;
            }
        };
        let sights: Vec<(f64, f64)> = self
            .points
            .iter()
            .map(|p| place.fast.azimuth_and_range(p))
            .collect();
        let Some(slot) = slot else {
            let values: Vec<f64> = sights.iter().map(|s| place.ln_at(s.0, s.1)).collect();
            add(&mut self.tile.alone, &values);
            return;
        };
        let nodes = &self.shared[slot].nodes;
        let mut values = vec![vec![0.0; sights.len()]; nodes.len()];
        let mut sums = vec![0.0; nodes.len()];
        for (number, sight) in sights.iter().enumerate() {
            sums.fill(0.0);
            place.add_ln_at(sight.0, sight.1, nodes, &mut sums);
            for (values, sum) in values.iter_mut().zip(&sums) {
                values[number] = *sum;
            }
        }
        for (to, values) in self.tile.shared[slot].iter_mut().zip(&values) {
            add(to, values);
        }
    }

    /// The outcome and what is to be kept; nothing where the posterior has left the part that is kept.
    fn outcome(self, bearings: &[Bearing], config: &FixConfig) -> Option<(FixOutcome, Self)> {
        let surface = Surface::held(
            &self.scene.places,
            self.domain,
            (self.singles, self.shared),
            self.tile,
        );
        let grid = solve::refined(&surface, &self.cells, config);
        let top = grid.samples.first()?.ln;
        let tile = surface.tile.as_ref()?;
        let inside = grid
            .samples
            .iter()
            .take_while(|s| s.ln >= top - HELD_NATS)
            .all(|s| tile.out(s.east_m, s.north_m) <= HELD_OUT);
        if !inside || solve::at_the_rim(&grid, self.domain.radius_m) {
            return None;
        }
        let outcome = solve::conclude(&self.scene, bearings, &grid, &surface, config);
        drop(grid);
        let (singles, shared, tile) = surface.into_held()?;
        let held = Self {
            scene: self.scene,
            domain: self.domain,
            singles,
            shared,
            tile,
            points: self.points,
            cells: self.cells,
            laid: self.laid,
        };
        Some((outcome, held))
    }
}
