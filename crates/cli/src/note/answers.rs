//! Checks of single answers: what is wrong, and what would be right.

use lobewright_export::NorthUsed;

/// Reads a number in a range.
pub(super) fn number(text: &str, low: f64, high: f64, wanted: &str) -> Result<f64, String> {
    let plain = text.trim().trim_end_matches(['°']).trim();
    if plain.contains(',') {
        return Err(format!(
            "`{text}` has a comma; write a decimal point: it must be {wanted}"
        ));
    }
    match plain.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("`{text}` will not do; it must be {wanted}")),
    }
}

/// A compass reading.
pub(super) fn reading_deg(text: &str) -> Result<f64, String> {
    number(
        text,
        0.0,
        360.0,
        "degrees clockwise from north, from 0 to 360, such as 123.5",
    )
}

/// How sure a bearing is.
pub(super) fn sigma_deg(text: &str) -> Result<f64, String> {
    let wanted =
        "one standard deviation in degrees, above 0 and up to 90: two readings of three lie within it";
    let sigma = number(text, 0.0, 90.0, wanted)?;
    if sigma > 0.0 {
        Ok(sigma)
    } else {
        Err(format!("`{text}` will not do; it must be {wanted}"))
    }
}

/// A meter's reading.
pub(super) fn meter_db(text: &str) -> Result<f64, String> {
    number(
        text,
        -300.0,
        300.0,
        "what the meter shows in dB, from -300 to 300, such as 7.5; S units are 6 dB each",
    )
}

/// Attenuation.
pub(super) fn attenuation_db(text: &str) -> Result<f64, String> {
    number(
        text,
        0.0,
        300.0,
        "all attenuation in line in dB, from 0 to 300, such as 40",
    )
}

/// Which north.
pub(super) fn north(text: &str) -> Result<NorthUsed, String> {
    match text.trim().to_lowercase().as_str() {
        "m" | "mag" | "magnetic" => Ok(NorthUsed::Magnetic),
        "t" | "true" => Ok(NorthUsed::True),
        "g" | "grid" => Ok(NorthUsed::Grid),
        _ => Err(format!(
            "`{text}` is no north; it must be magnetic (a compass), true (the meridian) or grid (the map's vertical lines)"
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hunt::course::north_word;

    #[test]
    fn wrong_answers_say_what_would_be_right() {
        for (answer, words) in [
            (reading_deg("361").unwrap_err(), "from 0 to 360"),
            (reading_deg("north").unwrap_err(), "from 0 to 360"),
            (reading_deg("12,5").unwrap_err(), "write a decimal point"),
            (reading_deg("NaN").unwrap_err(), "from 0 to 360"),
            (sigma_deg("0").unwrap_err(), "above 0 and up to 90"),
            (attenuation_db("-3").unwrap_err(), "from 0 to 300"),
            (meter_db("S9").unwrap_err(), "S units are 6 dB each"),
            (
                north("up").map(north_word).unwrap_err(),
                "magnetic (a compass), true",
            ),
        ] {
            assert!(answer.contains(words), "{answer}");
        }
        assert_eq!(reading_deg(" 123.5° "), Ok(123.5));
        assert_eq!(north("Mag").map(north_word), Ok("magnetic"));
    }
}
