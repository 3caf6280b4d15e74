//! Folding of a calendar's lines (RFC 5545, 3.1).
//!
//! The standard lets a line be folded anywhere between two characters, and what is taken out again is the line break and
//! the one blank behind it. Some readers take out every blank at the end of a line as well, so a line is folded between
//! two characters that are no blanks wherever there are such.

/// The most octets of a line, without its break.
const LINE_OCTETS: usize = 75;

/// The same lines, folded anew.
#[must_use]
pub fn folded(calendar: &str) -> String {
    let whole = calendar.replace("\r\n ", "");
    let mut folded = String::with_capacity(whole.len() + whole.len() / 20);
    for line in whole.split_terminator("\r\n") {
        let (mut rest, mut room) = (line, LINE_OCTETS);
        while rest.len() > room {
            let Some((head, tail)) = rest.split_at_checked(cut(rest, room)) else { break };
            folded.push_str(head);
            folded.push_str("\r\n ");
            // The blank is of the line.
            (rest, room) = (tail, LINE_OCTETS - 1);
        }
        folded.push_str(rest);
        folded.push_str("\r\n");
    }
    folded
}

/// Where to fold: the last place within the room that no blank touches, or the last of all.
fn cut(line: &str, room: usize) -> usize {
    let (mut best, mut last, mut before) = (0, 0, ' ');
    for (at, character) in line.char_indices().take_while(|(at, _)| *at <= room) {
        if !before.is_whitespace() && !character.is_whitespace() {
            best = at;
        }
        (last, before) = (at, character);
    }
    if best > 0 { best } else { last }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::folded;

    // RFC 5545, 3.1: "any sequence of CRLF followed immediately by a single linear white-space character is ignored"
    // (in our words: taken out), and lines have at most 75 octets.
    proptest! {
        #[test]
        fn unfolding_by_the_standard_gives_the_line_back(
            lines in prop::collection::vec("[A-Z][a-zé漢:;\\\\, ]{0,300}", 1..5)
        ) {
            let text = lines.iter().map(|line| format!("{line}\r\n")).collect::<String>();
            let folded = folded(&text);
            prop_assert_eq!(folded.replace("\r\n ", ""), text);
            prop_assert!(folded.split("\r\n").all(|line| line.len() <= 75), "{}", folded);
        }

        #[test]
        fn no_fold_touches_a_blank_where_words_are_short_enough(
            words in prop::collection::vec("[a-zé]{2,12}", 1..60)
        ) {
            let folded = folded(&format!("X:{}\r\n", words.join(" ")));
            for line in folded.split_terminator("\r\n") {
                let inner = line.strip_prefix(' ').unwrap_or(line);
                prop_assert!(!inner.starts_with(' ') && !line.ends_with(' '), "{:?}", line);
            }
        }
    }
}
