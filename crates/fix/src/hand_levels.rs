//! Tables taken by hand with levels beside the bearings, and with silence.

use std::io::Read;

use lobewright_types::{Bearing, LevelReport, SilenceReport};

use crate::hand::{HandError, HandWarning, Row, for_rows};

/// Standard deviation of a level that a person reads off a meter, in dB (a choice, no source).
const METER_SIGMA_DB: f64 = 2.0;
/// Readings and attenuations beyond this are slips of the pen.
const MOST_DB: f64 = 500.0;

/// What a table taken by hand holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HandTable {
    /// Bearings, in the order of the lines.
    pub bearings: Vec<Bearing>,
    /// Levels, in the order of the lines.
    pub levels: Vec<LevelReport>,
    /// Where nothing was heard, in the order of the lines.
    pub silences: Vec<SilenceReport>,
    /// Doubts.
    pub warnings: Vec<HandWarning>,
}

/// Reads a table taken by hand: bearings, levels and silence.
///
/// # Inputs
/// As [`crate::read_hand_bearings`], with these columns as well, each of which may be missing or empty:
///
/// | column | content |
/// |---|---|
/// | `meter_db` | level read with the antenna pointed at the source, in dB from any zero of the receiver's; -500 to 500 |
/// | `attenuation_db` | all attenuation switched in, 0 to 500; 0 where empty |
/// | `scale` | the receiver: levels of one scale have one zero; where empty, the whole table has one |
/// | `heard` | `yes` or `no`; yes where empty |
///
/// `bearing_deg` (and then `north`, `sigma_deg`) may be empty in a line with a level. With `heard` `no`, `meter_db` is the weakest level that would have been heard, and
/// there is no bearing.
///
/// # Result
/// A level is `meter_db + attenuation_db`, its standard deviation 2 dB; identities are `name:line`, as the bearings'.
///
/// # Errors
/// [`HandError`], which names the line and the field, and what would be right.
pub fn read_hand_table(reader: impl Read, name: &str) -> Result<HandTable, HandError> {
    let mut table = HandTable::default();
    for_rows(reader, name, |row| take(row, &mut table))?;
    Ok(table)
}

fn take(row: &Row<'_>, table: &mut HandTable) -> Result<(), HandError> {
    let given = |column: &str| !row.text(column).is_empty();
    match row.text("heard") {
        "" | "yes" => {
            if given("bearing_deg") || !given("meter_db") {
                let (bearing, warning) = row.bearing()?;
                table.bearings.push(bearing);
                table.warnings.extend(warning);
            }
            if given("meter_db") {
                table.levels.push(level(row)?);
            }
        }
        "no" => {
            if given("bearing_deg") {
                return Err(row.wrong("bearing_deg", "empty where `heard` is `no`"));
            }
            table.silences.push(silence(row)?);
        }
        _ => return Err(row.wrong("heard", "`yes`, `no` or empty")),
    }
    Ok(())
}

fn level(row: &Row<'_>) -> Result<LevelReport, HandError> {
    let (place, spot, position_sigma_m) = row.place()?;
    Ok(LevelReport {
        id: format!("{}:{}", row.name, row.line),
        station: place.to_owned(),
        time_utc: row.time()?,
        position: spot.position,
        position_sigma_m,
        transmitter: transmitter(row),
        scale: scale(row),
        level_db: level_db(row)?,
        sigma_db: METER_SIGMA_DB,
    })
}

fn silence(row: &Row<'_>) -> Result<SilenceReport, HandError> {
    let (place, spot, _) = row.place()?;
    Ok(SilenceReport {
        id: format!("{}:{}", row.name, row.line),
        station: place.to_owned(),
        time_utc: row.time()?,
        position: spot.position,
        transmitter: transmitter(row),
        scale: scale(row),
        limit_db: level_db(row)?,
    })
}

fn level_db(row: &Row<'_>) -> Result<f64, HandError> {
    let meter_db = row.number("meter_db", "a number of dB, -500 to 500", |v| v.abs() <= MOST_DB)?;
    if row.text("attenuation_db").is_empty() {
        return Ok(meter_db);
    }
    let attenuation_db = row.number("attenuation_db", "a number of dB, 0 to 500", |v| {
        (0.0..=MOST_DB).contains(&v)
    })?;
    Ok(meter_db + attenuation_db)
}

fn scale(row: &Row<'_>) -> String {
    let given = row.text("scale");
    if given.is_empty() { row.name } else { given }.to_owned()
}

fn transmitter(row: &Row<'_>) -> Option<String> {
    Some(row.text("transmitter").to_owned()).filter(|label| !label.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEADER: &str =
        "place,lat_deg,lon_deg,bearing_deg,north,sigma_deg,meter_db,attenuation_db,scale,heard\n";

    fn read(rows: &str) -> Result<HandTable, HandError> {
        read_hand_table(format!("{HEADER}{rows}").as_bytes(), "hunt.csv")
    }

    #[test]
    fn bearings_levels_and_silence_come_in_together() {
        let table = read(
            "hill,47.2,8.5,120,true,4,6.5,30,yellow,yes\n\
             quay,47.21,8.52,,,,3,,yellow,\n\
             ford,47.25,8.4,,,,-2,,yellow,no\n\
             mill,47.3,8.4,80,true,4,,20,,\n",
        )
        .unwrap();
        let ids: Vec<&str> = table.bearings.iter().map(|b| b.id.as_str()).collect();
        assert_eq!(ids, ["hunt.csv:2", "hunt.csv:5"]);
        let levels: Vec<(&str, f64)> = table
            .levels
            .iter()
            .map(|l| (l.station.as_str(), l.level_db))
            .collect();
        assert_eq!(levels, [("hill", 36.5), ("quay", 3.0)]);
        assert_eq!(table.levels[0].scale, "yellow");
        assert_eq!(table.silences.len(), 1);
        assert!((table.silences[0].limit_db + 2.0).abs() < 1e-12);
        assert_eq!(table.silences[0].id, "hunt.csv:4");
        let (bearings, _) = crate::read_hand_bearings(
            format!("{HEADER}quay,47.21,8.52,,,,3,,,\nmill,47.3,8.4,80,true,4,,,,\n").as_bytes(),
            "hunt.csv",
        )
        .unwrap();
        assert_eq!(bearings.len(), 1);
    }

    #[test]
    fn where_no_scale_is_given_the_table_is_one() {
        let table = read("quay,47.21,8.52,,,,3,,,\n").unwrap();
        assert_eq!(table.levels[0].scale, "hunt.csv");
    }

    #[test]
    fn what_is_wrong_is_named() {
        let said = |row: &str| read(&format!("{row}\n")).unwrap_err().to_string();
        assert_eq!(
            said("quay,47.21,8.52,,,,,,,"),
            "`hunt.csv` line 2: `sigma_deg` is ``; it must be a standard deviation above 0 and up to 90 degrees"
        );
        assert_eq!(
            said("quay,47.21,8.52,,,,loud,,,"),
            "`hunt.csv` line 2: `meter_db` is `loud`; it must be a number of dB, -500 to 500"
        );
        assert_eq!(
            said("quay,47.21,8.52,,,,3,-10,,"),
            "`hunt.csv` line 2: `attenuation_db` is `-10`; it must be a number of dB, 0 to 500"
        );
        assert_eq!(
            said("quay,47.21,8.52,,,,3,,,perhaps"),
            "`hunt.csv` line 2: `heard` is `perhaps`; it must be `yes`, `no` or empty"
        );
        assert_eq!(
            said("quay,47.21,8.52,30,true,4,3,,,no"),
            "`hunt.csv` line 2: `bearing_deg` is `30`; it must be empty where `heard` is `no`"
        );
        assert_eq!(
            said("quay,47.21,8.52,,,,,,,no"),
            "`hunt.csv` line 2: `meter_db` is ``; it must be a number of dB, -500 to 500"
        );
    }
}
