//! English that any module may need: numbers, ordinals and plurals in words or in figures, lists, names made harmless. No
//! sentence stands here, and nothing knows what it speaks of.

/// Longest name that is shown in full, in letters: a line of the printed page.
pub(crate) const NAME: usize = 60;

/// A name made harmless to look at: control characters, marks that turn the direction of writing and what no document may
/// hold (U+FFFE, U+FFFF; XML 1.0, section 2.2) are left out,
/// white space is one space, and what is longer than `most` letters ends in an ellipsis.
pub(crate) fn clean(name: &str, most: usize) -> String {
    let turns = |c: char| matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{61c}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}');
    let letters = name.chars().filter(|c| !turns(*c)).map(|c| if c.is_control() { ' ' } else { c }).collect::<String>();
    cut(&letters.split_whitespace().collect::<Vec<_>>().join(" "), most)
}

/// What is longer than `most` letters ends in an ellipsis.
pub(crate) fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let kept = text.chars().take(most.saturating_sub(1)).collect::<String>();
    format!("{}…", kept.trim_end())
}

/// `first` to `tenth`, then `11th`.
pub(crate) fn ordinal(n: u32) -> String {
    const WORDS: [&str; 10] =
        ["first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth"];
    let word = usize::try_from(n).ok().and_then(|n| n.checked_sub(1)).and_then(|i| WORDS.get(i));
    word.map_or_else(|| nth(n), |w| (*w).to_string())
}

/// `one` to `ten`, then figures.
pub(crate) fn number(n: usize) -> String {
    const WORDS: [&str; 11] = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"];
    WORDS.get(n).map_or_else(|| n.to_string(), |w| (*w).to_string())
}

/// `1st`, `2nd`, `3rd`, `4th`, `11th`.
pub(crate) fn nth(n: u32) -> String {
    let end = match (n % 10, n % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{n}{end}")
}

/// What ends the plural of most nouns.
fn plural(n: usize) -> &'static str {
    if n == 1 { "" } else { "s" }
}

/// In words: `one bar`, `three bars`.
pub(crate) fn many(n: usize, what: &str) -> String {
    format!("{} {what}{}", number(n), plural(n))
}

/// As [`many`], of what has a plural of its own.
pub(crate) fn count(n: usize, one: &str, more: &str) -> String {
    format!("{} {}", number(n), if n == 1 { one } else { more })
}

/// `was` of one, `were` of more.
pub(crate) fn was(n: usize) -> &'static str {
    if n == 1 { "was" } else { "were" }
}

/// In figures: `1 bar`, `3 bars`.
pub(crate) fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", plural(n))
}

/// `once`, `twice`, `three times`.
pub(crate) fn times(n: usize) -> String {
    match n {
        1 => "once".into(),
        2 => "twice".into(),
        n => many(n, "time"),
    }
}

/// `A`, `A and B`, `A, B and C`.
pub(crate) fn listed(all: &[String]) -> String {
    match all.split_last() {
        Some((last, before)) if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        _ => all.concat(),
    }
}

/// A sentence starts with a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lose_what_could_mislead_and_end_where_the_line_ends() {
        assert_eq!(clean("  Wren\n\t\u{202e}nerW ", 60), "Wren nerW");
        assert_eq!(clean("../../etc", 60), "../../etc");
        let long = clean(&"ä".repeat(4000), 60);
        assert_eq!(long.chars().count(), 60);
        assert!(long.ends_with('…'));
        assert_eq!(clean("\u{feff}\u{200b}", 60), "");
    }

    #[test]
    fn ordinals_read_as_english() {
        let all: Vec<String> = [1, 2, 3, 4, 11, 12, 13, 21, 102, 111].map(nth).into();
        assert_eq!(all, ["1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "102nd", "111th"]);
        assert_eq!([1, 9, 10, 11, 22].map(ordinal), ["first", "ninth", "tenth", "11th", "22nd"]);
    }

    #[test]
    fn one_is_one_and_more_are_many() {
        assert_eq!([many(1, "bar"), many(10, "bar"), many(11, "bar")], ["one bar", "ten bars", "11 bars"]);
        assert_eq!([count(1, "child", "children"), count(0, "child", "children")], ["one child", "no children"]);
        assert_eq!([counted(1, "take"), counted(0, "take")], ["1 take", "0 takes"]);
        assert_eq!([1, 2, 3, 12].map(times), ["once", "twice", "three times", "12 times"]);
    }
}
