//! Closed lists of terms: each term is written the same way in files, in the database and on pages.

/// A term that is not in its list.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{value}\" is not one of the {list}: {known}")]
pub struct UnknownTerm {
    /// What the list holds, in words.
    pub list: &'static str,
    /// What was given.
    pub value: String,
    /// The terms there are, joined by commas.
    pub known: String,
}

macro_rules! terms {
    ($(#[$doc:meta])* $name:ident, $list:literal, { $($(#[$variant_doc:meta])* $variant:ident => $term:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum $name {
            $($(#[$variant_doc])* $variant),+
        }

        impl $name {
            /// All terms, in their order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The term as written.
            pub fn term(self) -> &'static str {
                match self {
                    $(Self::$variant => $term),+
                }
            }
        }

        impl std::str::FromStr for $name {
            type Err = $crate::domain::terms::UnknownTerm;

            /// Reads a term, upper and lower case alike, space around it ignored.
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                let wanted = text.trim();
                Self::ALL.iter().copied().find(|known| known.term().eq_ignore_ascii_case(wanted)).ok_or_else(|| {
                    $crate::domain::terms::UnknownTerm {
                        list: $list,
                        value: wanted.to_owned(),
                        known: Self::ALL.iter().map(|known| known.term()).collect::<Vec<_>>().join(", "),
                    }
                })
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.term())
            }
        }
    };
}

pub(crate) use terms;

#[cfg(test)]
mod tests {
    use crate::domain::approach::Contact;

    #[test]
    fn every_term_reads_back() {
        for contact in Contact::ALL {
            assert_eq!(contact.term().to_uppercase().parse::<Contact>().as_ref(), Ok(contact));
        }
        let error = "stroked".parse::<Contact>().unwrap_err();
        assert!(error.to_string().contains("passed, beside, over"), "{error}");
    }
}
