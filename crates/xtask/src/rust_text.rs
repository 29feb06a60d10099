//! Rust source with everything blanked that a text rule must not look into.

/// Blanks comments, strings and character literals: same length in lines, code untouched.
///
/// Raw strings and nested comments are understood; lifetimes are not taken for characters.
pub fn code_only(source: &str) -> String {
    let chars: Vec<char> = source.chars().collect();
    let mut out = String::with_capacity(source.len());
    let mut at = 0;
    while at < chars.len() {
        let end = blanked_end(&chars, at);
        if end > at {
            let blank = chars[at..end].iter().map(|&c| if c == '\n' { '\n' } else { ' ' });
            out.extend(blank);
            at = end;
        } else {
            out.push(chars[at]);
            at += 1;
        }
    }
    out
}

/// Where the comment or literal that begins at `at` ends; `at` itself where none begins.
fn blanked_end(chars: &[char], at: usize) -> usize {
    let next = |offset: usize| chars.get(at + offset).copied();
    match (chars[at], next(1)) {
        ('/', Some('/')) => find(chars, at, |c| c == '\n'),
        ('/', Some('*')) => comment_end(chars, at),
        ('"', _) => string_end(chars, at + 1),
        ('r', Some('"' | '#')) if !follows_a_word(chars, at) => raw_string_end(chars, at),
        ('b', Some('r')) if !follows_a_word(chars, at) => {
            let end = raw_string_end(chars, at + 1);
            if end > at + 1 { end } else { at }
        }
        ('\'', Some('\\')) => find(chars, at + 3, |c| c == '\'')
            .saturating_add(1)
            .min(chars.len()),
        ('\'', Some(_)) if next(2) == Some('\'') => at + 3,
        _ => at,
    }
}

fn follows_a_word(chars: &[char], at: usize) -> bool {
    at > 0 && (chars[at - 1].is_alphanumeric() || chars[at - 1] == '_')
}

fn find(chars: &[char], from: usize, is_end: impl Fn(char) -> bool) -> usize {
    (from..chars.len())
        .find(|&i| is_end(chars[i]))
        .unwrap_or(chars.len())
}

fn comment_end(chars: &[char], start: usize) -> usize {
    let (mut depth, mut at) = (0_usize, start);
    while at < chars.len() {
        match (chars[at], chars.get(at + 1)) {
            ('/', Some('*')) => {
                depth += 1;
                at += 2;
            }
            ('*', Some('/')) => {
                depth -= 1;
                at += 2;
                if depth == 0 {
                    return at;
                }
            }
            _ => at += 1,
        }
    }
    chars.len()
}

fn string_end(chars: &[char], from: usize) -> usize {
    let mut at = from;
    while at < chars.len() {
        match chars[at] {
            '\\' => at += 2,
            '"' => return at + 1,
            _ => at += 1,
        }
    }
    chars.len()
}

/// `at` stands on the `r`; gives `at` back where no raw string follows (a raw identifier).
fn raw_string_end(chars: &[char], at: usize) -> usize {
    let mut hashes = 0;
    while chars.get(at + 1 + hashes) == Some(&'#') {
        hashes += 1;
    }
    if chars.get(at + 1 + hashes) != Some(&'"') {
        return at;
    }
    let mut i = at + 2 + hashes;
    while i < chars.len() {
        let closing = (1..=hashes).all(|k| chars.get(i + k) == Some(&'#'));
        if chars[i] == '"' && closing {
            return i + 1 + hashes;
        }
        i += 1;
    }
    chars.len()
}

/// Cuts the items marked `#[cfg(test)]` out of text that [`code_only`] made; lines keep their numbers.
pub fn without_tests(code: &str) -> String {
    const MARK: &str = "#[cfg(test)]";
    let mut out = String::with_capacity(code.len());
    let mut rest = code;
    while let Some(start) = rest.find(MARK) {
        out.push_str(&rest[..start]);
        let end = start + item_length(&rest[start..]);
        out.extend(rest[start..end].chars().filter(|&c| c == '\n'));
        rest = &rest[end..];
    }
    out.push_str(rest);
    out
}

/// Bytes up to the end of the item: its closing brace, or a semicolon before any brace.
fn item_length(text: &str) -> usize {
    let mut depth = 0_usize;
    for (i, c) in text.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => {
                depth = depth.saturating_sub(1);
                if depth == 0 {
                    return i + 1;
                }
            }
            ';' if depth == 0 => return i + 1,
            _ => {}
        }
    }
    text.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_and_strings_go_and_code_stays() {
        let source =
            "let a = \"x // \\\" y\"; // std::fs\nlet b = 'c'; /* std::net /* deep */ */ f::<'a>(b'\\'')";
        let code = code_only(source);
        assert!(!code.contains("std::"), "{code}");
        assert!(!code.contains('x') && !code.contains('y'), "{code}");
        assert!(code.contains("f::<'a>("), "{code}");
        assert_eq!(code.lines().count(), source.lines().count());
    }

    #[test]
    fn raw_strings_end_at_their_own_mark() {
        let code = code_only("let a = r#\"one \" two\"#; let r#type = br\"x\"; tail");
        assert!(!code.contains("one") && !code.contains("two"), "{code}");
        assert!(code.contains("r#type") && code.contains("tail"), "{code}");
    }

    #[test]
    fn test_items_are_cut_and_the_rest_keeps_its_lines() {
        let code =
            "fn a() {}\n#[cfg(test)]\nmod tests {\n fn b() { {} }\n}\n#[cfg(test)]\nuse x;\nfn c() {}\n";
        let cut = without_tests(code);
        assert!(cut.contains("fn a") && cut.contains("fn c"), "{cut}");
        assert!(!cut.contains("fn b") && !cut.contains("use x"), "{cut}");
        assert_eq!(cut.lines().count(), code.lines().count());
    }
}
