//! The texts that stand in code.

/// The texts that stand in a file, comments and characters apart.
pub(crate) fn texts(code: &str) -> Vec<String> {
    let (mut found, mut rest) = (Vec::new(), code);
    while let Some(at) = rest.find(['"', '/', '\'']) {
        rest = &rest[at..];
        if rest.starts_with("//") {
            rest = rest.split_once('\n').map_or("", |(_, after)| after);
        } else if let Some(after) = rest.strip_prefix('\'') {
            // A character, or the name of a lifetime.
            let end = after.char_indices().skip(1).find(|(_, c)| *c == '\'').map(|(at, _)| at);
            let is_char = after.starts_with('\\') || after.chars().nth(1) == Some('\'');
            rest = end.filter(|_| is_char).map_or(after, |end| &after[end + 1..]);
        } else if let Some(after) = rest.strip_prefix('"') {
            let before = &code[..code.len() - rest.len()];
            let hashes = before.chars().rev().take_while(|c| *c == '#').count();
            let is_raw = before[..before.len() - hashes].ends_with('r');
            let close = if is_raw { format!("\"{}", "#".repeat(hashes)) } else { "\"".to_owned() };
            let mut end = 0;
            loop {
                end += after[end..]
                    .find(&close)
                    .unwrap_or_else(|| panic!("a text without end: {after:.40}"));
                let slashes = after[..end].chars().rev().take_while(|c| *c == '\\').count();
                if is_raw || slashes % 2 == 0 {
                    break;
                }
                end += 1;
            }
            found.push(after[..end].to_owned());
            rest = &after[end + close.len()..];
        } else {
            rest = &rest[1..];
        }
    }
    found
}

#[test]
fn a_text_is_found_wherever_it_stands() {
    let code = r##"// "no" 'x
        let a: &'static str = "one \" \\"; let b = '"'; let c = '\''; f(r#"two "x" "#, "three")"##;
    assert_eq!(texts(code), ["one \\\" \\\\", "two \"x\" ", "three"]);
}
