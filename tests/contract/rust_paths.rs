//! The paths in a Rust source: those of `use` trees, written out, and those within expressions and types.

/// A piece of a source without comments and texts.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Token {
    Word(String),
    PathSeparator,
    Open,
    Close,
    Comma,
    Other,
}

/// Every path of the source, written out: `use a::{b, c::{self, d}}` gives `a::b`, `a::c` and `a::c::d`.
pub fn paths(source: &str) -> Vec<Vec<String>> {
    let tokens = tokens(source);
    let mut found = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        if matches!(tokens[at], Token::Word(_)) {
            at = path(&tokens, at, &[], &mut found);
        } else {
            at += 1;
        }
    }
    found
}

/// Reads a path at `at`, with the groups that follow it; returns where it ends.
fn path(tokens: &[Token], mut at: usize, before: &[String], found: &mut Vec<Vec<String>>) -> usize {
    let mut segments = before.to_vec();
    while let Some(Token::Word(word)) = tokens.get(at) {
        if word != "self" || segments.is_empty() {
            segments.push(word.clone());
        }
        at += 1;
        if tokens.get(at) != Some(&Token::PathSeparator) {
            break;
        }
        at += 1;
        if tokens.get(at) == Some(&Token::Open) {
            at += 1;
            while at < tokens.len() && tokens[at] != Token::Close {
                if !matches!(tokens[at], Token::Word(_)) {
                    at += 1;
                    continue;
                }
                at = path(tokens, at, &segments, found);
                // The other name of `x as y` is no path.
                while at < tokens.len() && !matches!(tokens[at], Token::Comma | Token::Close) {
                    at += 1;
                }
            }
            return at + 1;
        }
    }
    if segments.len() > 1 || !before.is_empty() {
        found.push(segments);
    }
    at
}

/// Whether the source has this word, or one that begins with it, outside comments and texts.
pub fn has_word_beginning(source: &str, beginning: &str) -> bool {
    tokens(source).iter().any(|token| matches!(token, Token::Word(word) if word.starts_with(beginning)))
}

/// The modules that the source declares, inline or as files.
pub fn modules(source: &str) -> Vec<String> {
    let tokens = tokens(source);
    let pairs = tokens.iter().zip(tokens.iter().skip(1));
    pairs
        .filter_map(|pair| match pair {
            (Token::Word(keyword), Token::Word(name)) if keyword == "mod" => Some(name.clone()),
            _ => None,
        })
        .collect()
}

fn tokens(source: &str) -> Vec<Token> {
    let characters: Vec<char> = source.chars().collect();
    let mut tokens = Vec::new();
    let mut at = 0;
    while let Some(&character) = characters.get(at) {
        let next = characters.get(at + 1).copied();
        at = match character {
            '/' if next == Some('/') => skip_until(&characters, at, |rest| rest[0] == '\n'),
            '/' if next == Some('*') => {
                skip_until(&characters, at + 2, |rest| rest.starts_with(&['*', '/'])) + 2
            }
            '"' => skip_text(&characters, at + 1),
            '\'' => skip_character(&characters, at),
            'r' if raw_text(&characters, at).is_some() => {
                raw_text(&characters, at).expect("just found to be one")
            }
            ':' if next == Some(':') => {
                tokens.push(Token::PathSeparator);
                at + 2
            }
            c if c.is_alphanumeric() || c == '_' => {
                let end = skip_until(&characters, at, |rest| !(rest[0].is_alphanumeric() || rest[0] == '_'));
                tokens.push(Token::Word(characters[at..end].iter().collect()));
                end
            }
            c => {
                if !c.is_whitespace() {
                    tokens.push(match c {
                        '{' => Token::Open,
                        '}' => Token::Close,
                        ',' => Token::Comma,
                        _ => Token::Other,
                    });
                }
                at + 1
            }
        };
    }
    tokens
}

fn skip_until(characters: &[char], from: usize, end: impl Fn(&[char]) -> bool) -> usize {
    (from..characters.len()).find(|&at| end(&characters[at..])).unwrap_or(characters.len())
}

fn skip_text(characters: &[char], mut at: usize) -> usize {
    while at < characters.len() && characters[at] != '"' {
        at += if characters[at] == '\\' { 2 } else { 1 };
    }
    at + 1
}

/// A character in quotes, or the mark of a lifetime.
fn skip_character(characters: &[char], at: usize) -> usize {
    match (characters.get(at + 1), characters.get(at + 2)) {
        (Some('\\'), _) => skip_until(characters, at + 3, |rest| rest[0] == '\'') + 1,
        (Some(_), Some('\'')) => at + 3,
        _ => at + 1,
    }
}

/// Where a raw text that begins at `at` ends, if one does.
fn raw_text(characters: &[char], at: usize) -> Option<usize> {
    if at > 0 && (characters[at - 1].is_alphanumeric() || characters[at - 1] == '_') {
        return None;
    }
    let hashes = characters[at + 1..].iter().take_while(|c| **c == '#').count();
    if characters.get(at + 1 + hashes) != Some(&'"') {
        return None;
    }
    let end: Vec<char> = std::iter::once('"').chain(std::iter::repeat_n('#', hashes)).collect();
    Some(skip_until(characters, at + 2 + hashes, |rest| rest.starts_with(&end)) + 1 + hashes)
}

#[test]
fn paths_are_written_out_and_comments_and_texts_are_not_read() {
    let source = r##"
        // use crate::commented::out;
        /* crate::also::out */
        use crate::a::{self as other, b, c::{self, d}};
        fn f<'a>(x: &'a str) -> char { let _ = "crate::text"; let _ = r#"crate::raw " text"#; '"' }
        fn g() { crate::e::f(); }
    "##;
    let found: Vec<String> = paths(source).iter().map(|path| path.join("::")).collect();
    assert_eq!(found, ["crate::a", "crate::a::b", "crate::a::c", "crate::a::c::d", "crate::e::f"]);
}
