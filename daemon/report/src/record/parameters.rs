//! A run's parameters in words, and as they are typed to have the same run again.

use wattproof_runs::Parameter;

/// Each with its value; those that somebody set are marked.
pub fn parameters_words(parameters: &[Parameter]) -> String {
    let told = parameters.iter().map(|one| {
        let set = if one.set { " (set)" } else { "" };
        format!("{} = {}{}{set}", one.name, one.value, one.spaced_unit())
    });
    let told: Vec<String> = told.collect();
    if told.is_empty() { "none".into() } else { told.join(", ") }
}

/// ` --set name=value` for each that was set. A record may come from another person: a shell must find nothing in it but
/// a name and a value.
pub fn set_words(parameters: &[Parameter]) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | ',' | '-' | '_' | '=');
    let quoted = |text: String| {
        if text.chars().all(plain) { text } else { format!("'{}'", text.replace('\'', r"'\''")) }
    };
    let set = parameters.iter().filter(|one| one.set);
    set.map(|one| format!(" --set {}", quoted(format!("{}={}", one.name, one.value)))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_set_is_told_and_harmless_to_a_shell() {
        let parameter = |name: &str, value: &str, set: bool| -> Parameter {
            let value = format!("\"{value}\"");
            serde_json::from_str(&format!(
                r#"{{"name":"{name}","what":"","unit":"","kind":"word","value":{value},"set":{set},"default":{value},"line":1}}"#
            ))
            .unwrap()
        };
        let parameters = [
            parameter("kind", "pink", true),
            parameter("by", "x", false),
            parameter("who", "a';reboot", true),
        ];
        assert_eq!(parameters_words(&parameters), "kind = pink (set), by = x, who = a';reboot (set)");
        assert_eq!(set_words(&parameters), r" --set kind=pink --set 'who=a'\'';reboot'");
        assert_eq!((parameters_words(&[]), set_words(&[])), ("none".into(), String::new()));
    }
}
