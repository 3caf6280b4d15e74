//! What the readers and rules of the libraries say, in words for who filled in the field: what is wrong, and
//! what to enter instead.

/// What may be entered instead of what could not be read, from what the reader says of it.
#[must_use]
pub fn unread(message: &str) -> String {
    if let Some(rest) = message.strip_prefix("unknown variant `")
        && let Some((given, known)) = rest.split_once("`, expected ")
    {
        return format!("is `{given}`, which is not known here. Use {known}.");
    }
    if let Some(rest) = message.strip_prefix("unknown field `")
        && let Some((_, known)) = rest.split_once("`, expected ")
    {
        return format!("is not known here. Use {known}, or leave it out.");
    }
    if let Some(rest) = message.strip_prefix("invalid type: ").or(message.strip_prefix("invalid value: "))
        && let Some((given, expected)) = rest.rsplit_once(", expected ")
    {
        return format!("is of the wrong kind: {given}. Enter {}.", kind(expected));
    }
    match message {
        // chrono's
        "input is out of range"
        | "input contains invalid characters"
        | "premature end of input"
        | "trailing input"
        | "no possible date and time matching input" => {
            "is not a date or time there is. Write a date as 2026-05-04, a time as 2026-05-04T09:30:00Z."
                .to_owned()
        }
        // the standard library's
        "invalid digit found in string"
        | "cannot parse integer from empty string"
        | "number too large to fit in target type"
        | "number too small to fit in target type" => {
            "is not a whole number in its range. Correct it.".to_owned()
        }
        "provided string was not `true` or `false`" => "must be true or false.".to_owned(),
        _ if message.starts_with("UUID parsing failed") => {
            "is not an id. Send the id of the record, a UUID, as the service gave it.".to_owned()
        }
        _ => format!("cannot be read: {message}."),
    }
}

fn kind(expected: &str) -> &str {
    match expected {
        "i8" | "i16" | "i32" | "i64" | "isize" => "a whole number without a decimal point",
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number, 0 or more, without a decimal point",
        "f32" | "f64" => "a number",
        "a string" => "a text",
        "a boolean" => "true or false",
        "a sequence" => "a list",
        "a map" => "an object",
        _ if expected.starts_with("struct ") => "an object",
        "a formatted date string" => "a date such as \"2026-05-04\"",
        "a formatted date and time string or a unix timestamp"
        | "an RFC 3339 formatted date and time string" => "a time such as \"2026-05-04T09:30:00Z\"",
        other => other,
    }
}

/// What a broken rule asks for, from what the rule says of it.
#[must_use]
pub fn broken(message: &str) -> String {
    if let Some(least) = message.strip_prefix("length is lower than ") {
        format!("is too short: at least {least}. Lengthen it.")
    } else if let Some(most) = message.strip_prefix("length is greater than ") {
        format!("is too long: at most {most}. Shorten it.")
    } else if let Some(least) = message.strip_prefix("lower than ") {
        format!("is too small: at least {least}. Correct it.")
    } else if let Some(most) = message.strip_prefix("greater than ") {
        format!("is too large: at most {most}. Correct it.")
    } else {
        format!("{message}.")
    }
}
