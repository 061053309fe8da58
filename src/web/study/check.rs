//! Whether a study can be made again: an archive against what the database gives now, hash by hash.

use std::fmt;

use crate::web::study::StudyError;
use crate::web::study::archive;
use crate::web::study::archive::Files;
use crate::web::study::archive::MANIFEST;
use crate::web::study::archive::Manifest;

/// What came of the comparison.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
    /// The manifest of the archive.
    pub then: Manifest,
    /// The manifest of what was computed now.
    pub now: Manifest,
    /// Files whose bytes are those that were computed now.
    pub same: Vec<String>,
    /// Files that came out otherwise.
    pub different: Vec<String>,
    /// Files of the archive that are not made now.
    pub gone: Vec<String>,
    /// Files made now that the archive has not.
    pub new: Vec<String>,
    /// Files of the archive whose bytes are not those that its own manifest says, are missing, or are not in it.
    pub damaged: Vec<String>,
}

impl Comparison {
    /// Whether every file was made again, byte for byte, and none is damaged.
    pub fn is_same(&self) -> bool {
        [&self.different, &self.gone, &self.new, &self.damaged].iter().all(|list| list.is_empty())
    }
}

/// Compares the bytes of an archive with the files that were computed now.
///
/// Figures as PDF are left out of the comparison where one of the two programs cannot print.
///
/// # Errors
/// [`StudyError::Read`] when the archive cannot be read or has no manifest.
pub fn compare(archive: &[u8], now: &Files) -> Result<Comparison, StudyError> {
    let then = archive::unpack(archive)?;
    let (then_manifest, now_manifest) = (manifest(&then)?, manifest(now)?);
    let with_pdf = then_manifest.has_pdf && now_manifest.has_pdf;
    let counts = |name: &&String| name.as_str() != MANIFEST && (with_pdf || !name.ends_with(".pdf"));
    let mut comparison = Comparison {
        damaged: damaged(&then, &then_manifest),
        same: Vec::new(),
        different: Vec::new(),
        gone: Vec::new(),
        new: now_manifest
            .files
            .keys()
            .filter(counts)
            .filter(|name| !then_manifest.files.contains_key(*name))
            .cloned()
            .collect(),
        then: then_manifest.clone(),
        now: now_manifest.clone(),
    };
    for name in then_manifest.files.keys().filter(counts) {
        let list = match now_manifest.files.get(name) {
            None => &mut comparison.gone,
            Some(entry) if *entry == then_manifest.files[name] => &mut comparison.same,
            Some(_) => &mut comparison.different,
        };
        list.push(name.clone());
    }
    Ok(comparison)
}

fn manifest(files: &Files) -> Result<Manifest, StudyError> {
    let bytes = files.get(MANIFEST).ok_or_else(|| StudyError::Read(format!("it has no {MANIFEST}")))?;
    serde_json::from_slice(bytes).map_err(|error| StudyError::Read(format!("{MANIFEST}: {error}")))
}

fn damaged(files: &Files, manifest: &Manifest) -> Vec<String> {
    let listed = manifest
        .files
        .iter()
        .filter(|(name, entry)| files.get(*name).is_none_or(|bytes| archive::entry(bytes) != **entry));
    let unlisted =
        files.keys().filter(|name| name.as_str() != MANIFEST && !manifest.files.contains_key(*name));
    listed.map(|(name, _)| name).chain(unlisted).cloned().collect()
}

impl Comparison {
    /// Which revision and settings the archive is of, where the database has others, and what makes it again.
    fn tell_revisions(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (then, now) = (&self.then, &self.now);
        let has_same_settings = then.settings == now.settings;
        if then.revision == now.revision && has_same_settings {
            return Ok(());
        }
        writeln!(f, "archive: data revision {}, settings: {}", then.revision, then.settings)?;
        writeln!(f, "database: data revision {}, settings: {}", now.revision, now.settings)?;
        match then.basis {
            Some(basis) if then.basis == now.basis && has_same_settings => writeln!(
                f,
                "Figures rest on data revision {basis} in both: between the two, decisions and notices alone were written."
            ),
            _ => writeln!(
                f,
                "A backup of data revision {} makes the numbers of the archive again with version {} of the program.",
                then.revision, then.version
            ),
        }
    }
}

impl fmt::Display for Comparison {
    /// What differs, a line each, the most likely causes first.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.tell_revisions(f)?;
        let mut cause = |what: &str, then: &str, now: &str| match then == now {
            true => Ok(()),
            false => writeln!(f, "{what}: {then} in the archive, {now} now"),
        };
        cause("seed", &self.then.seed.to_string(), &self.now.seed.to_string())?;
        cause("version of the program", &self.then.version, &self.now.version)?;
        for (words, names) in [
            ("not what the archive's own manifest says", &self.damaged),
            ("different", &self.different),
            ("only in the archive", &self.gone),
            ("only made now", &self.new),
        ] {
            for name in names {
                writeln!(f, "{name}: {words}")?;
            }
        }
        write!(
            f,
            "{} of {} files are the same",
            self.same.len(),
            self.same.len() + self.different.len() + self.gone.len()
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn study(revision: u64, files: &[(&str, &str)]) -> Files {
        let mut all: Files =
            files.iter().map(|(name, text)| ((*name).to_owned(), text.as_bytes().to_vec())).collect();
        let manifest = Manifest {
            program: "coilway".to_owned(),
            version: "0.1.0".to_owned(),
            area: "Example".to_owned(),
            revision,
            basis: Some(revision),
            basis_means: String::new(),
            seed: 1,
            draws: 200,
            settings: "default settings".to_owned(),
            has_pdf: true,
            left_out: BTreeMap::new(),
            withheld: BTreeMap::new(),
            files: all.iter().map(|(name, bytes)| (name.clone(), archive::entry(bytes))).collect(),
        };
        all.insert(MANIFEST.to_owned(), serde_json::to_vec(&manifest).unwrap());
        all
    }

    #[test]
    fn the_same_study_is_the_same() {
        let files = study(3, &[("a.csv", "1"), ("b.csv", "2")]);
        let comparison = compare(&archive::pack(&files).unwrap(), &files).unwrap();
        assert!(comparison.is_same(), "{comparison}");
        assert_eq!(comparison.to_string(), "2 of 2 files are the same");
    }

    #[test]
    fn every_difference_is_named_with_its_cause() {
        let then = study(3, &[("a.csv", "1"), ("b.csv", "2"), ("old.csv", "3")]);
        let now = study(4, &[("a.csv", "1"), ("b.csv", "5"), ("new.csv", "3")]);
        let comparison = compare(&archive::pack(&then).unwrap(), &now).unwrap();
        assert!(!comparison.is_same());
        let said = comparison.to_string();
        for words in [
            "archive: data revision 3, settings: default settings",
            "database: data revision 4, settings: default settings",
            "A backup of data revision 3 makes the numbers of the archive again",
            "b.csv: different",
            "old.csv: only in the archive",
            "new.csv: only made now",
            "1 of 3 files are the same",
        ] {
            assert!(said.contains(words), "{said}");
        }
    }

    #[test]
    fn of_a_decision_alone_no_backup_is_asked_for() {
        let then = study(3, &[("a.csv", "1"), ("decisions.csv", "1")]);
        let mut now = study(4, &[("a.csv", "1"), ("decisions.csv", "2")]);
        let mut manifest: Manifest = serde_json::from_slice(&now[MANIFEST]).unwrap();
        manifest.basis = Some(3);
        now.insert(MANIFEST.to_owned(), serde_json::to_vec(&manifest).unwrap());
        let said = compare(&archive::pack(&then).unwrap(), &now).unwrap().to_string();
        assert!(said.contains("rest on data revision 3 in both") && !said.contains("backup"), "{said}");
        // Nor does an archive of an earlier version fail to be read.
        let mut manifest: serde_json::Value = serde_json::from_slice(&then[MANIFEST]).unwrap();
        manifest.as_object_mut().unwrap().remove("basis");
        let earlier = Files::from([(MANIFEST.to_owned(), serde_json::to_vec(&manifest).unwrap())]);
        let said = compare(&archive::pack(&earlier).unwrap(), &now).unwrap().to_string();
        assert!(said.contains("A backup of data revision 3"), "{said}");
    }

    #[test]
    fn a_file_changed_by_hand_is_found() {
        let made = study(3, &[("a.csv", "1"), ("b.csv", "2")]);
        let mut forged = made.clone();
        forged.insert("a.csv".to_owned(), b"9".to_vec());
        forged.insert("c.csv".to_owned(), b"x".to_vec());
        forged.remove("b.csv");
        let comparison = compare(&archive::pack(&forged).unwrap(), &made).unwrap();
        assert_eq!(comparison.damaged, ["a.csv", "b.csv", "c.csv"]);
        assert!(!comparison.is_same());
    }

    #[test]
    fn printing_or_not_is_no_difference_of_figures() {
        let with = study(3, &[("a.csv", "1"), ("f.pdf", "%PDF")]);
        let mut without = study(3, &[("a.csv", "1")]);
        let mut manifest: Manifest = serde_json::from_slice(&without[MANIFEST]).unwrap();
        manifest.has_pdf = false;
        without.insert(MANIFEST.to_owned(), serde_json::to_vec(&manifest).unwrap());
        assert!(compare(&archive::pack(&with).unwrap(), &without).unwrap().is_same());
        assert!(compare(&archive::pack(&without).unwrap(), &with).unwrap().is_same());
    }
}
