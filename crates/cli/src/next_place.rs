//! `fix --next`: where to take the next bearing.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::{Args, ValueEnum};
use lobewright_fix::advice::{
    Advice, AdviceConfig, Candidate, ExpectedLevel, Meter, PosteriorSamples, RankBy, advise, along_roads,
    attenuation, level_at, read_places, rings, solve_with_samples, well_apart,
};
use lobewright_fix::{Evidence, FixConfig};
use lobewright_plot::MapNextPlace;
use lobewright_types::{FixOutcome, PathLossFit, Position};

use crate::args::FixFormat;
use crate::fault::Fault;
use crate::next_place_out as out;
use crate::output::write_file;

/// Places shown in the table and on the map.
const SHOWN: usize = 3;

#[derive(Debug, Args)]
#[command(next_help_heading = "Next place")]
pub(crate) struct NextArgs {
    /// Say from where the next bearing is best taken.
    #[arg(long, conflicts_with_all = ["course", "moving"])]
    pub(crate) next: bool,
    /// Where you are, in degrees: the way counts then [default: not known].
    #[arg(long, value_name = "LAT,LON", value_parser = place, allow_hyphen_values = true, requires = "next")]
    pub(crate) from: Option<Position>,
    /// Places to choose from, CSV with the header `place,lat_deg,lon_deg` [default: rings around position and last place].
    #[arg(long, value_name = "FILE", requires = "next")]
    pub(crate) places: Option<PathBuf>,
    /// Roads to choose places along, `LineString`s of GeoJSON.
    #[arg(long, value_name = "FILE", requires = "next")]
    pub(crate) roads: Option<PathBuf>,
    /// Distance of places along roads, in metres, 10 to 10000.
    #[arg(long, value_name = "M", default_value_t = 500.0, value_parser = step_m, requires = "roads")]
    pub(crate) road_step_m: f64,
    /// Areas that cannot be reached, `Polygon`s of GeoJSON.
    #[arg(long, value_name = "FILE", requires = "next")]
    pub(crate) unreachable: Option<PathBuf>,
    /// What the best place is best in; `hour` needs `--from`.
    #[arg(
        long,
        value_enum,
        value_name = "BY",
        default_value = "information",
        requires = "next"
    )]
    pub(crate) best_by: BestBy,
    /// Farthest place from `--from`, in km, straight.
    #[arg(long, value_name = "KM", value_parser = above_zero, requires = "from")]
    pub(crate) max_way_km: Option<f64>,
    /// Speed on the way, in km/h.
    #[arg(long, value_name = "KM/H", default_value_t = 40.0, value_parser = above_zero, requires = "next")]
    pub(crate) speed_km_h: f64,
    /// Write the advice on every place here as CSV.
    #[arg(long, value_name = "FILE", requires = "next")]
    pub(crate) next_csv: Option<PathBuf>,
    /// Useful span of your meter without attenuation, in dB of the levels: says what to switch in at the places.
    #[arg(long, value_name = "LOW,HIGH", value_parser = span, allow_hyphen_values = true, requires = "next")]
    pub(crate) meter_db: Option<(f64, f64)>,
    /// Attenuators you can switch in, in dB [default: six of 10].
    #[arg(long, value_name = "DB,...", value_delimiter = ',', value_parser = above_zero, requires = "meter_db")]
    pub(crate) attenuators_db: Vec<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum BestBy {
    /// Most information.
    Information,
    /// Smallest expected area.
    Area,
    /// Most information for an hour of travelling and taking the bearing.
    Hour,
}

/// The advice on all places, and the best few well apart.
#[derive(Debug)]
pub(crate) struct Next {
    pub(crate) all: Vec<Advice>,
    pub(crate) best: Vec<Advice>,
    /// Area of the 95 % region now.
    pub(crate) area95_now_km2: f64,
    /// For each of the best the level expected there and what to switch in.
    pub(crate) levels: Vec<(ExpectedLevel, Option<String>)>,
    /// Why there is no advice.
    pub(crate) nothing: Option<&'static str>,
}

/// Whether what was asked for can be had.
pub(crate) fn check(args: &NextArgs, transmitters: usize) -> Result<(), Fault> {
    let reason = if args.best_by == BestBy::Hour && args.from.is_none() {
        "`--best-by hour` needs to know where you are; give it with --from LAT,LON"
    } else if args.next_csv.is_some() && transmitters > 1 {
        "`--next-csv` is about one transmitter; name it with --transmitter"
    } else {
        return Ok(());
    };
    Err(Fault::Input(anyhow::anyhow!(reason)))
}

/// Computes the advice where it was asked for, and writes `--next-csv`.
pub(crate) fn next(
    args: &NextArgs,
    evidence: &Evidence<'_>,
    config: &FixConfig,
) -> Result<Option<Next>, Fault> {
    if !args.next {
        return Ok(None);
    }
    let given = candidates(args)?;
    let (outcome, samples) = solve_with_samples(evidence, config);
    let next = match samples {
        Some(samples) => advice_of(args, evidence, (&outcome, &samples), given, config)?,
        None => Next {
            all: Vec::new(),
            best: Vec::new(),
            area95_now_km2: 0.0,
            levels: Vec::new(),
            nothing: Some("without bearings that can be true together there is nothing to go by"),
        },
    };
    if let Some(path) = &args.next_csv {
        write_file(path, out::csv(&next)?.as_bytes())?;
    }
    Ok(Some(next))
}

fn advice_of(
    args: &NextArgs,
    evidence: &Evidence<'_>,
    (outcome, samples): (&FixOutcome, &PosteriorSamples),
    given: Option<Vec<Candidate>>,
    config: &FixConfig,
) -> Result<Next, Fault> {
    let settings = AdviceConfig {
        reflection_prior: config.reflection_prior,
        rank_by: match args.best_by {
            BestBy::Information => RankBy::Information,
            BestBy::Area => RankBy::Area,
            BestBy::Hour => RankBy::PerHour,
        },
        unreachable: match &args.unreachable {
            Some(path) => lobewright_export::read_geojson_areas(&text_of(path, "areas")?, &name_of(path))
                .map_err(Fault::input)?,
            None => Vec::new(),
        },
        max_way_m: args.max_way_km.map(|km| 1000.0 * km),
        speed_km_h: args.speed_km_h,
        ..AdviceConfig::after(evidence.bearings, outcome)
    };
    let places = given.unwrap_or_else(|| rings(samples, outcome, args.from, &settings));
    let all = advise(samples, outcome, args.from, &places, &settings);
    let best: Vec<Advice> = well_apart(&all, SHOWN).into_iter().cloned().collect();
    let levels = levels_at(args, samples, settings.levels.as_ref(), &best)?;
    Ok(Next {
        nothing: all.is_empty().then_some(
            "none of the places can be advised: all are in the 95 % region, too near or out of reach",
        ),
        area95_now_km2: samples.area_km2(0.95),
        all,
        best,
        levels,
    })
}

fn levels_at(
    args: &NextArgs,
    samples: &PosteriorSamples,
    fall: Option<&PathLossFit>,
    best: &[Advice],
) -> Result<Vec<(ExpectedLevel, Option<String>)>, Fault> {
    let Some(fall) = fall else {
        if args.meter_db.is_some() {
            return Err(Fault::Input(anyhow::anyhow!(
                "`--meter-db` needs levels from two places or more, which the inputs do not have"
            )));
        }
        return Ok(Vec::new());
    };
    let meter = args.meter_db.map(|(low_db, high_db)| {
        let mut meter = Meter::with_span(low_db, high_db);
        if !args.attenuators_db.is_empty() {
            meter.steps_db.clone_from(&args.attenuators_db);
        }
        meter
    });
    Ok(best
        .iter()
        .map(|advice| {
            let level = level_at(samples, fall, advice.place.position);
            let switch = meter.as_ref().map(|m| attenuation(level.level_db, m).to_string());
            (level, switch)
        })
        .collect())
}

/// The user's own places; none where rings are to be laid.
fn candidates(args: &NextArgs) -> Result<Option<Vec<Candidate>>, Fault> {
    let mut all = Vec::new();
    if let Some(path) = &args.places {
        let text = text_of(path, "places")?;
        all.extend(read_places(text.as_bytes(), &name_of(path)).map_err(Fault::input)?);
    }
    if let Some(path) = &args.roads {
        let text = text_of(path, "roads")?;
        let roads = lobewright_export::read_geojson_lines(&text, &name_of(path)).map_err(Fault::input)?;
        all.extend(along_roads(&roads, args.road_step_m));
    }
    Ok((args.places.is_some() || args.roads.is_some()).then_some(all))
}

fn name_of(path: &Path) -> String {
    path.display().to_string()
}

fn text_of(path: &Path, what: &str) -> Result<String, Fault> {
    std::fs::read_to_string(path)
        .with_context(|| format!("cannot read {what} `{}`", path.display()))
        .map_err(Fault::Input)
}

impl Next {
    /// The result's text with the advice in it, or behind it.
    pub(crate) fn add_to(&self, text: String, format: FixFormat) -> String {
        match format {
            FixFormat::Table => format!("{text}\n{}", out::table(self)),
            FixFormat::Json => format!("{text}{}", out::json(self)),
            FixFormat::Geojson => out::into_geojson(self, &text),
            // These formats have no place for it.
            _ => text,
        }
    }

    /// The best places for the map.
    pub(crate) fn on_map(&self) -> Vec<MapNextPlace> {
        self.best
            .iter()
            .map(|a| MapNextPlace {
                position: a.place.position,
                name: a.place.name.clone(),
                worth: format!(
                    "{:.1} bit, leaves {} km²",
                    a.information_bits,
                    crate::tables::significant(a.expected_area95_km2)
                ),
            })
            .collect()
    }
}

fn place(text: &str) -> Result<Position, String> {
    let wanted = "give latitude and longitude in degrees, such as -41.3,174.1";
    let (lat, lon) = text.split_once(',').ok_or(wanted)?;
    let number = |t: &str| t.trim().parse::<f64>().map_err(|_| wanted.to_owned());
    Position::from_lat_lon(number(lat)?, number(lon)?).map_err(|e| e.to_string())
}

fn span(text: &str) -> Result<(f64, f64), String> {
    let wanted = "give the low and the high end in dB, such as -110,-60";
    let (low, high) = text.split_once(',').ok_or(wanted)?;
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    match (number(low), number(high)) {
        (Some(low), Some(high)) if low < high => Ok((low, high)),
        _ => Err(wanted.to_owned()),
    }
}

fn step_m(text: &str) -> Result<f64, String> {
    let number = text.parse().ok().filter(|v| (10.0..=10_000.0).contains(v));
    number.ok_or_else(|| "must be 10 to 10000 metres".to_owned())
}

fn above_zero(text: &str) -> Result<f64, String> {
    let number = text.parse().ok().filter(|v: &f64| *v > 0.0 && v.is_finite());
    number.ok_or_else(|| "must be a number above 0".to_owned())
}
