//! Parameters of an address: known ones by name, anything else refused.

use std::collections::BTreeMap;

use axum::extract::FromRequestParts;
use axum::extract::Query as AxumQuery;
use axum::http::request::Parts;

use crate::derived::season::PeriodChoice;
use crate::domain::time::PartOfDay;
use crate::web::error::Error;

/// The parameters of a request, in their order by name.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Query(BTreeMap<String, String>);

impl<S: Send + Sync> FromRequestParts<S> for Query {
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Error> {
        let AxumQuery(pairs) = AxumQuery::<Vec<(String, String)>>::from_request_parts(parts, state)
            .await
            .map_err(|error| Error::bad_request("query", error.to_string()))?;
        let mut query = BTreeMap::new();
        for (name, value) in pairs {
            if query.insert(name.clone(), value).is_some() {
                return Err(Error::bad_request(name, "This parameter stands twice."));
            }
        }
        Ok(Self(query))
    }
}

impl Query {
    /// Refuses parameters beyond the known ones.
    ///
    /// # Errors
    /// [`Error::BadRequest`] naming the first unknown one.
    pub fn allow(&self, known: &[&str]) -> Result<(), Error> {
        match self.0.keys().find(|name| !known.contains(&name.as_str())) {
            None => Ok(()),
            Some(name) => {
                let words =
                    format!("There is no parameter \"{name}\" here; known are: {}.", known.join(", "));
                Err(Error::bad_request(name.clone(), words))
            }
        }
    }

    /// The parameters given, as an address would have them.
    pub fn of<'a>(pairs: impl IntoIterator<Item = (&'a str, &'a str)>) -> Self {
        Self(pairs.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect())
    }

    /// The value of a parameter; none when it is missing or empty.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(|value| value.trim()).filter(|value| !value.is_empty())
    }

    /// A parameter that is a number or the like.
    ///
    /// # Errors
    /// [`Error::BadRequest`] naming the parameter, with what it should be.
    pub fn parse<T: std::str::FromStr>(&self, name: &str, what: &str) -> Result<Option<T>, Error> {
        let Some(text) = self.get(name) else { return Ok(None) };
        text.parse().map(Some).map_err(|_| Error::bad_request(name, format!("\"{text}\" is not {what}.")))
    }

    /// Month and part of the day.
    ///
    /// # Errors
    /// [`Error::BadRequest`] when either is not one there is.
    pub fn period(&self) -> Result<PeriodChoice, Error> {
        let month: Option<i8> = self.parse("month", "a month from 1 to 12")?;
        if let Some(month) = month.filter(|month| !(1..=12).contains(month)) {
            return Err(Error::bad_request("month", format!("\"{month}\" is not a month from 1 to 12.")));
        }
        let part = match self.get("part") {
            None => None,
            Some(word) => Some(PartOfDay::from_term(word).ok_or_else(|| {
                let words = format!("\"{word}\" is not a part of the day: early, middle, evening, night.");
                Error::bad_request("part", words)
            })?),
        };
        Ok(PeriodChoice { month, part })
    }

    /// All parameters in words, for the tag of an answer.
    pub fn words(&self) -> String {
        self.0.iter().map(|(name, value)| format!("{name}={value}")).collect::<Vec<_>>().join("&")
    }

    /// The query string.
    pub fn encoded(&self) -> String {
        self.with("", None)
    }

    /// The parameters without one of them.
    #[must_use]
    pub fn without(mut self, name: &str) -> Self {
        self.0.remove(name);
        self
    }

    /// The query string with one parameter changed or taken out.
    pub fn with(&self, name: &str, value: Option<&str>) -> String {
        let mut changed = self.0.clone();
        match value {
            Some(value) => changed.insert(name.to_owned(), value.to_owned()),
            None => changed.remove(name),
        };
        let kept = changed.iter().filter(|(_, value)| !value.is_empty());
        kept.map(|(name, value)| format!("{}={}", encoded(name), encoded(value)))
            .collect::<Vec<_>>()
            .join("&")
    }
}

/// Reads the key in a path.
///
/// # Errors
/// [`Error::NotFound`] when it is no such key: nothing can stand at that address.
pub fn key<T: std::str::FromStr>(text: &str, what: &str) -> Result<T, Error> {
    text.parse().map_err(|_| Error::NotFound(format!("There is no {what} \"{text}\".")))
}

/// Percent-encodes what is not unreserved (RFC 3986, section 2.3).
pub(in crate::web) fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn query(pairs: &[(&str, &str)]) -> Query {
        Query(pairs.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect())
    }

    #[test]
    fn wrong_parameters_are_named() {
        let field = |result: Result<PeriodChoice, Error>| match result {
            Err(Error::BadRequest { field, .. }) => field,
            other => panic!("{other:?}"),
        };
        assert_eq!(field(query(&[("month", "13")]).period()), "month");
        assert_eq!(field(query(&[("part", "noon")]).period()), "part");
        assert!(query(&[("colour", "red")]).allow(&["month"]).is_err());
    }

    #[test]
    fn a_changed_query_is_encoded() {
        assert_eq!(query(&[("a", "x y"), ("b", "")]).with("c", Some("é")), "a=x%20y&c=%C3%A9");
    }
}
