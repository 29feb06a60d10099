//! Morse code: which marks a text is made of, and when each begins and ends.

use std::f64::consts::PI;

/// Letters, figures and marks of Recommendation ITU-R M.1677-1 (10/2009).
const CODE: [(char, &str); 50] = [
    ('A', ".-"),
    ('B', "-..."),
    ('C', "-.-."),
    ('D', "-.."),
    ('E', "."),
    ('É', "..-.."),
    ('F', "..-."),
    ('G', "--."),
    ('H', "...."),
    ('I', ".."),
    ('J', ".---"),
    ('K', "-.-"),
    ('L', ".-.."),
    ('M', "--"),
    ('N', "-."),
    ('O', "---"),
    ('P', ".--."),
    ('Q', "--.-"),
    ('R', ".-."),
    ('S', "..."),
    ('T', "-"),
    ('U', "..-"),
    ('V', "...-"),
    ('W', ".--"),
    ('X', "-..-"),
    ('Y', "-.--"),
    ('Z', "--.."),
    ('1', ".----"),
    ('2', "..---"),
    ('3', "...--"),
    ('4', "....-"),
    ('5', "....."),
    ('6', "-...."),
    ('7', "--..."),
    ('8', "---.."),
    ('9', "----."),
    ('0', "-----"),
    ('.', ".-.-.-"),
    (',', "--..--"),
    (':', "---..."),
    ('?', "..--.."),
    ('\'', ".----."),
    ('-', "-....-"),
    ('/', "-..-."),
    ('(', "-.--."),
    (')', "-.--.-"),
    ('"', ".-..-."),
    ('=', "-...-"),
    ('+', ".-.-."),
    ('@', ".--.-."),
];

/// The multiplication sign, which shares its code with the letter X.
const TIMES: (char, &str) = ('×', "-..-");

/// Seconds of one dot at a speed in words a minute, a word being PARIS: 50 dots.
pub fn dot_s(wpm: f64) -> f64 {
    60.0 / (50.0 * wpm)
}

/// Looks up the code of a character, lower case as upper case.
pub fn code_of(character: char) -> Option<&'static str> {
    let upper = character.to_uppercase().next()?;
    CODE.iter()
        .chain(std::iter::once(&TIMES))
        .find(|(c, _)| *c == upper)
        .map(|(_, code)| *code)
}

/// The marks of a text in dot units.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MorseText {
    /// First and last edge of each mark in dots from the beginning of the first.
    pub marks: Vec<(u32, u32)>,
    /// Dots from the first edge to the last, no space behind it.
    pub length_dots: u32,
}

impl MorseText {
    /// Lays out a text: dash 3 dots, 1 between marks, 3 between letters, 7 between words.
    ///
    /// # Errors
    /// The first character that has no code in ITU-R M.1677-1.
    pub fn new(text: &str) -> Result<Self, char> {
        let mut marks = Vec::new();
        let mut end = 0;
        let mut gap = 0;
        for character in text.trim().chars() {
            if character.is_whitespace() {
                gap = 7;
                continue;
            }
            for mark in code_of(character).ok_or(character)?.chars() {
                let start = end + gap;
                end = start + if mark == '-' { 3 } else { 1 };
                marks.push((start, end));
                gap = 1;
            }
            gap = 3;
        }
        Ok(Self {
            marks,
            length_dots: end,
        })
    }
}

/// Keying of a text at a speed: the key's position as a function of time.
#[derive(Debug, Clone)]
pub(crate) struct Keying {
    text: MorseText,
    dot_s: f64,
    edge_s: f64,
    repeat_dots: Option<f64>,
    cursor: usize,
    lap: f64,
}

impl Keying {
    /// Keys `text` once, or again and again with a word space between.
    pub(crate) fn new(text: MorseText, wpm: f64, edge_s: f64, repeat: bool) -> Self {
        let repeat_dots = repeat.then(|| f64::from(text.length_dots + 7));
        Self {
            text,
            dot_s: dot_s(wpm),
            edge_s,
            repeat_dots,
            cursor: 0,
            lap: 0.0,
        }
    }

    /// Seconds from the first edge to the last.
    pub(crate) fn length_s(&self) -> f64 {
        f64::from(self.text.length_dots) * self.dot_s
    }

    /// Amplitude from 0 (up) to 1 (down) at a time from the first edge, which may not run backwards. Edges are raised
    /// cosines, half way up at the mark's nominal edge.
    pub(crate) fn level(&mut self, time_s: f64) -> f64 {
        let half = self.edge_s / 2.0;
        let mut time_s = time_s;
        if let Some(repeat_dots) = self.repeat_dots {
            let lap_s = repeat_dots * self.dot_s;
            let lap = ((time_s + half) / lap_s).floor();
            if lap > self.lap {
                self.lap = lap;
                self.cursor = 0;
            }
            time_s -= self.lap * lap_s;
        }
        while let Some(&(_, stop)) = self.text.marks.get(self.cursor) {
            if time_s < f64::from(stop) * self.dot_s + half {
                break;
            }
            self.cursor += 1;
        }
        let Some(&(start, stop)) = self.text.marks.get(self.cursor) else {
            return 0.0;
        };
        let rise = raised(time_s - (f64::from(start) * self.dot_s - half), self.edge_s);
        let fall = raised(f64::from(stop) * self.dot_s + half - time_s, self.edge_s);
        rise.min(fall)
    }
}

/// A raised-cosine edge: 0 before time 0, 1 from `edge_s` on.
pub(crate) fn raised(time_s: f64, edge_s: f64) -> f64 {
    if time_s < 0.0 {
        0.0
    } else if time_s >= edge_s {
        1.0
    } else {
        0.5 - 0.5 * (PI * time_s / edge_s).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // ITU-R M.1677-1: kept as the table `testdata/references/morse_itu_m1677.csv`.
    #[test]
    fn code_table_is_that_of_itu_r_m1677() {
        let table = include_str!("../../../testdata/references/morse_itu_m1677.csv");
        let mut checked = 0;
        for line in table.lines().filter(|l| !l.starts_with('#')).skip(1) {
            let (rest, length) = line.rsplit_once(',').unwrap();
            let (rest, code) = rest.rsplit_once(',').unwrap();
            let (kind, symbol) = rest.split_once(',').unwrap();
            if kind == "procedural" {
                continue;
            }
            let symbol = match symbol {
                "\",\"" => ',',
                "\"\"\"\"" => '"',
                one => one.chars().next().unwrap(),
            };
            assert_eq!(code_of(symbol), Some(code), "{symbol}");
            let laid_out = MorseText::new(&symbol.to_string()).unwrap();
            assert_eq!(laid_out.length_dots, length.parse::<u32>().unwrap(), "{symbol}");
            checked += 1;
        }
        assert_eq!(checked, 51);
    }

    // ITU-R M.1677-1 timing: PARIS takes 43 dots and 50 with the word space behind it.
    #[test]
    fn paris_is_50_dots_with_its_word_space() {
        assert_eq!(MorseText::new("PARIS").unwrap().length_dots, 43);
        assert_eq!(MorseText::new("PARIS PARIS").unwrap().length_dots, 50 + 43);
        assert_eq!(MorseText::new("CODEX").unwrap().length_dots, 60 - 7);
        assert!((dot_s(12.0) - 0.1).abs() < 1e-12);
        // A minute at 12 words a minute is 12 times PARIS.
        assert!((dot_s(12.0) * 50.0 * 12.0 - 60.0).abs() < 1e-9);
    }

    #[test]
    fn marks_follow_each_other_by_the_rules() {
        // A, then N in a second word: . - 7 dots - .
        let text = MorseText::new("a n").unwrap();
        assert_eq!(text.marks, vec![(0, 1), (2, 5), (12, 15), (16, 17)]);
        assert_eq!(MorseText::new("A#"), Err('#'));
    }

    #[test]
    fn key_is_half_down_at_the_nominal_edges() {
        let mut key = Keying::new(MorseText::new("A").unwrap(), 12.0, 0.005, false);
        for (time_s, level) in [
            (-0.01, 0.0),
            (0.0, 0.5),
            (0.05, 1.0),
            (0.1, 0.5),
            (0.15, 0.0),
            (0.2, 0.5),
            (0.35, 1.0),
            (0.5, 0.5),
            (0.6, 0.0),
        ] {
            assert!((key.level(time_s) - level).abs() < 1e-9, "{time_s}");
        }
    }

    #[test]
    fn repeated_text_starts_again_after_a_word_space() {
        let mut key = Keying::new(MorseText::new("E").unwrap(), 12.0, 0.0, true);
        // One dot down, seven up: a lap of 0.8 s.
        let down: Vec<u32> = (0..24)
            .filter(|n| key.level(f64::from(*n) * 0.1 + 0.05) > 0.5)
            .collect();
        assert_eq!(down, vec![0, 8, 16]);
    }
}
