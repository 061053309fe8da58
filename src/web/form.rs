//! A form as it was sent: its fields as text, and what is wrong with them, so that it can come back filled in.

use std::collections::BTreeMap;

use crate::domain::account::Right;
use crate::web::auth::Who;

/// The longest text that a field may hold, in characters.
const LONGEST: usize = 2_000;

/// What was typed into a form, and what is wrong with it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Given {
    values: BTreeMap<String, String>,
    errors: BTreeMap<String, String>,
    /// Whose name stands under it; none where the form asks for a name.
    signed_as: Option<String>,
    /// Whether whoever reads the page may look, but not manage.
    only_looks: bool,
}

impl Given {
    /// The fields as sent, without the space around them; of a field that stands twice the last one counts.
    pub fn new(pairs: Vec<(String, String)>) -> Self {
        let values = pairs.into_iter().map(|(name, value)| (name, value.trim().to_owned()));
        Self { values: values.collect(), ..Self::default() }
    }

    /// An empty form for somebody to sign.
    pub fn signed_by(who: &Who) -> Self {
        Self::default().with_signer(who)
    }

    /// The form with who signs it: the account, or, while there are none, the name that is typed in.
    pub fn with_signer(mut self, who: &Who) -> Self {
        self.signed_as = (*who != Who::ThisMachine).then(|| who.name().to_owned());
        self.only_looks = !who.may(Right::Manage);
        self
    }

    /// The form with the signer of another form on the same page.
    pub fn with_same_signer(mut self, other: &Self) -> Self {
        self.signed_as.clone_from(&other.signed_as);
        self.only_looks = other.only_looks;
        self
    }

    /// Whose name the form has without asking; none where it asks.
    pub fn signed_as(&self) -> Option<&str> {
        self.signed_as.as_deref()
    }

    /// Whether a form that only managers may send is to be left out.
    pub fn only_looks(&self) -> bool {
        self.only_looks
    }

    /// Who did it. Where there are no accounts a name must have been typed in; with one, nothing typed in counts.
    pub fn signer(&mut self) -> String {
        self.signer_in("who")
    }

    /// The same, where the name is typed into another field.
    pub fn signer_in(&mut self, field: &str) -> String {
        match &self.signed_as {
            Some(name) => name.clone(),
            None => self.required(field, "Give your name: it is kept with the change."),
        }
    }

    /// A field as typed; empty when it was not sent.
    pub fn get(&self, name: &str) -> &str {
        self.values.get(name).map_or("", String::as_str)
    }

    /// Whether the form has the field at all.
    pub fn has(&self, name: &str) -> bool {
        self.values.contains_key(name)
    }

    /// Fills in a field, as for a form that is shown for the first time.
    pub fn set(&mut self, name: &str, value: impl Into<String>) {
        self.values.insert(name.to_owned(), value.into());
    }

    /// Says what is wrong with a field. The first word on a field stands.
    pub fn refuse(&mut self, name: &str, words: impl Into<String>) {
        self.errors.entry(name.to_owned()).or_insert_with(|| words.into());
    }

    /// A field that must be filled in; empty, and refused, when it is not.
    pub fn required(&mut self, name: &str, words: &str) -> String {
        let value = self.get(name).to_owned();
        if value.is_empty() {
            self.refuse(name, words);
        } else if value.chars().count() > LONGEST {
            self.refuse(name, format!("This is longer than {LONGEST} characters."));
        }
        value
    }

    /// What is wrong with a field.
    pub fn error(&self, name: &str) -> Option<&str> {
        self.errors.get(name).map(String::as_str)
    }

    /// All that is wrong: field and words.
    pub fn errors(&self) -> impl Iterator<Item = (&str, &str)> {
        self.errors.iter().map(|(name, words)| (name.as_str(), words.as_str()))
    }

    /// Whether nothing was typed in yet.
    pub fn is_blank(&self) -> bool {
        self.values.is_empty() && self.errors.is_empty()
    }

    /// Whether nothing is wrong.
    pub fn is_good(&self) -> bool {
        self.errors.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_that_must_be_filled_in_is_named_when_it_is_not() {
        let mut given =
            Given::new(vec![("who".to_owned(), "  ".to_owned()), ("why".to_owned(), " x ".to_owned())]);
        assert_eq!(given.required("why", "say why"), "x");
        assert!(given.is_good());
        given.required("who", "give your name");
        given.refuse("who", "another word");
        assert_eq!((given.error("who"), given.error("why")), (Some("give your name"), None));
        given.set("why", "y".repeat(3_000));
        given.required("why", "say why");
        assert!(given.error("why").is_some_and(|words| words.contains("longer")));
    }
}
