//! Where watches were held: at which sign, where a sign warns, or where walkers passed none.

use crate::analysis::plane::distance_m;
use crate::derived::effect::passed::Passed;
use crate::derived::effect::passed::SegmentRole;
use crate::derived::network::FARTHEST_SIGN_M;
use crate::derived::network::NetworkLayer;
use crate::domain::geography::LonLat;
use crate::domain::sign_watch::SignWatchDraft;
use crate::domain::sign_watch::Watcher;
use crate::domain::sign_watch::plainly;
use crate::store::SignInPlace;

/// Watches and signs this near are at one place, whatever they are called.
const NEAR_M: f64 = 50.0;

/// What a place is in a comparison.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum PlaceStanding {
    /// Signs stand, stood or will stand there: indices into the facts' signs.
    AtSigns(Vec<usize>),
    /// No sign stands there, but most walkers are in reach of one: all that stand, stood or will stand where it does, and all
    /// that warn walkers there.
    WarnedBy { signs: Vec<usize>, warning: Vec<usize> },
    /// Hardly any of its walkers has passed a sign.
    Control,
}

/// A place that was watched.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct WatchPlace {
    /// Its name, of a sign or as the first watch gave it.
    pub(super) name: String,
    /// The watches there, as indices, in order of their start.
    pub(super) watches: Vec<usize>,
    /// What it is, or why it is nothing that can be compared, in words.
    pub(super) standing: Result<PlaceStanding, String>,
}

impl WatchPlace {
    /// The signs that stand there, if any ever does.
    pub(super) fn signs(&self) -> &[usize] {
        match &self.standing {
            Ok(PlaceStanding::AtSigns(signs)) => signs,
            _ => &[],
        }
    }

    /// The signs that stand there or warn there, if any ever does.
    pub(super) fn warning(&self) -> &[usize] {
        match &self.standing {
            Ok(PlaceStanding::AtSigns(signs)) => signs,
            Ok(PlaceStanding::WarnedBy { warning, .. }) => warning,
            _ => &[],
        }
    }
}

/// Whether a sign stands all through a watch.
pub(super) fn stands_through(sign: &SignInPlace, watch: &SignWatchDraft) -> bool {
    sign.given.up_s <= watch.start_s && sign.given.down_s.is_none_or(|down_s| watch.end_s() <= down_s)
}

/// Whether a sign stands at any time of a watch.
pub(super) fn stands_during(sign: &SignInPlace, watch: &SignWatchDraft) -> bool {
    sign.given.up_s < watch.end_s() && sign.given.down_s.is_none_or(|down_s| watch.start_s < down_s)
}

/// Something with a name and a position.
#[derive(Clone)]
struct Named {
    name: String,
    at: LonLat,
}

impl Named {
    fn new(name: &str, at: LonLat) -> Self {
        Self { name: plainly(name), at }
    }

    /// Whether both are one place: near each other, or not far and of one name.
    fn is_same(&self, other: &Self) -> bool {
        let apart_m = distance_m(self.at, other.at);
        apart_m <= NEAR_M || (self.name == other.name && apart_m <= FARTHEST_SIGN_M)
    }
}

/// The number of the place of each, places in the order in which they first appear: of the first place that has it.
fn grouped(all: &[Named]) -> Vec<usize> {
    let mut firsts: Vec<&Named> = Vec::new();
    let group = |named| {
        let known = firsts.iter().position(|first| first.is_same(named));
        known.unwrap_or_else(|| {
            firsts.push(named);
            firsts.len() - 1
        })
    };
    all.iter().map(group).collect()
}

/// The sign that a watch is held at: one of its name that is not far, else the nearest one that is near.
fn sign_of(watch: &SignWatchDraft, signs: &[SignInPlace]) -> Result<Option<usize>, String> {
    let name = plainly(&watch.locality);
    let nearest = |of: &dyn Fn(&SignInPlace) -> bool| {
        let apart = signs.iter().enumerate().filter(|(_, sign)| of(sign));
        apart
            .map(|(idx, sign)| (distance_m(sign.given.position, watch.position), idx))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    };
    match nearest(&|sign| plainly(&sign.given.name) == name) {
        Some((apart_m, _)) if apart_m > FARTHEST_SIGN_M => Err(format!(
            "it has the name of a sign that stands {apart_m:.0} m away: name or position is wrong"
        )),
        Some((_, sign)) => Ok(Some(sign)),
        None => Ok(nearest(&|_| true).filter(|(apart_m, _)| *apart_m <= NEAR_M).map(|(_, sign)| sign)),
    }
}

/// What is known of walking for the standing of places without a sign.
#[derive(Clone, Copy)]
pub(super) struct Walked<'a> {
    pub(super) layer: &'a NetworkLayer,
    pub(super) passed: &'a Passed,
    pub(super) roles: &'a [SegmentRole],
    /// For every sign the first one at its vertex.
    pub(super) speakers: &'a [Option<usize>],
}

impl Walked<'_> {
    /// All signs at the vertices of some.
    fn at_those(&self, speakers: &[usize]) -> Vec<usize> {
        let is_there = |sign: &usize| self.speakers[*sign].is_some_and(|it| speakers.contains(&it));
        (0..self.speakers.len()).filter(is_there).collect()
    }
}

/// The places of all watches, which come in order of their start. Where nothing is known of walking, places without a sign
/// have no standing.
pub(super) fn places(
    watches: &[SignWatchDraft],
    signs: &[SignInPlace],
    walked: Option<Walked<'_>>,
) -> Vec<WatchPlace> {
    let named: Vec<Named> =
        signs.iter().map(|sign| Named::new(&sign.given.name, sign.given.position)).collect();
    let spot_of = grouped(&named);
    let mut places: Vec<(Option<usize>, Named, WatchPlace)> = Vec::new();
    for (idx, watch) in watches.iter().enumerate() {
        let named = Named::new(&watch.locality, watch.position);
        let (spot, standing) = match sign_of(watch, signs) {
            Ok(Some(sign)) => {
                let here = (0..signs.len()).filter(|other| spot_of[*other] == spot_of[sign]).collect();
                (Some(spot_of[sign]), Ok(PlaceStanding::AtSigns(here)))
            }
            Ok(None) => (None, without_sign(watch.position, walked)),
            Err(why) => (None, Err(why)),
        };
        let is_there = |(of, first, place): &&mut (Option<usize>, Named, WatchPlace)| match (of, spot) {
            (Some(of), Some(spot)) => *of == spot,
            (None, None) => first.is_same(&named) && place.standing == standing,
            _ => false,
        };
        match places.iter_mut().find(is_there) {
            Some((_, _, place)) => place.watches.push(idx),
            None => {
                let name = match &standing {
                    Ok(PlaceStanding::AtSigns(here)) => here.first().map(|sign| &signs[*sign].given.name),
                    _ => None,
                };
                let name = name.unwrap_or(&watch.locality).clone();
                places.push((spot, named, WatchPlace { name, watches: vec![idx], standing }));
            }
        }
    }
    places.into_iter().map(|(_, _, place)| place).collect()
}

fn without_sign(position: LonLat, walked: Option<Walked<'_>>) -> Result<PlaceStanding, String> {
    let Some(walked) = walked else {
        return Err(
            "nothing says how many people walk, so it is not known who passed a sign before".to_owned()
        );
    };
    let at = walked.layer.network.plane.to_plane(position);
    let Some(nearest) = walked.layer.index.nearest(at, FARTHEST_SIGN_M) else {
        return Err("it lies away from the trails, and at no sign".to_owned());
    };
    match walked.roles[nearest.segment_idx] {
        SegmentRole::Signed(sign) => Ok(PlaceStanding::WarnedBy {
            signs: walked.at_those(&[sign]),
            warning: walked.at_those(&walked.passed.warning(nearest.segment_idx)),
        }),
        SegmentRole::Control => Ok(PlaceStanding::Control),
        SegmentRole::Mixed => {
            Err("some of its walkers have passed a sign and some have not, so it is neither".to_owned())
        }
        SegmentRole::NotWalked => Err("nobody is thought to walk there".to_owned()),
    }
}

/// Of watches in order of their start at one place, those that overlap none counted before: two people who watch at once see
/// the same parties. Each is told by what keeps it apart.
pub(super) fn without_overlaps<K: PartialEq>(
    watches: &[SignWatchDraft],
    of_place: &[usize],
    key: impl Fn(&SignWatchDraft) -> K,
) -> Vec<usize> {
    let mut kept: Vec<usize> = Vec::new();
    for idx in of_place {
        let watch = &watches[*idx];
        let overlaps = |other: &&usize| {
            let other = &watches[**other];
            other.end_s() > watch.start_s && key(other) == key(watch)
        };
        if kept.iter().find(overlaps).is_none() {
            kept.push(*idx);
        }
    }
    kept
}

/// What keeps watches apart: what was asked, and whether the watcher was seen.
pub(super) fn asked_and_watcher(watch: &SignWatchDraft) -> (String, Watcher) {
    (watch.asked_plainly(), watch.watcher)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::domain::ids::SignId;
    use crate::domain::sign::SignInPlaceDraft;
    use crate::domain::sign_watch::WatchCounts;

    /// A position so many metres east of the middle.
    pub(in crate::derived::effect) fn east(metres: f64) -> LonLat {
        LonLat::new(-109.4 + metres / 88_300.0, 37.6).unwrap()
    }

    pub(in crate::derived::effect) fn sign(
        name: &str,
        at_m: f64,
        up_s: i64,
        down_s: Option<i64>,
    ) -> SignInPlace {
        let given = SignInPlaceDraft {
            name: name.to_owned(),
            position: east(at_m),
            kind: "trail sign".to_owned(),
            plan: None,
            up_s,
            down_s,
        };
        SignInPlace { id: SignId(up_s), given }
    }

    pub(in crate::derived::effect) fn watch(locality: &str, at_m: f64, start_s: i64) -> SignWatchDraft {
        SignWatchDraft {
            event_id: format!("{locality} {start_s}"),
            locality: locality.to_owned(),
            position: east(at_m),
            start_s,
            length_s: 3600,
            counts: WatchCounts::new(10, Some(4), 6).unwrap(),
            asked: "keeps to the middle".to_owned(),
            watcher: Watcher::Unseen,
            recorded_by: String::new(),
            remarks: String::new(),
        }
    }

    #[test]
    fn a_watch_is_at_the_sign_of_its_name_or_near_one() {
        let signs = [sign("Gate", 0.0, 100, None), sign("Bridge", 1000.0, 100, None)];
        let at = |locality: &str, metres: f64| sign_of(&watch(locality, metres, 0), &signs);
        assert_eq!(at("Gate", 10.0), Ok(Some(0)));
        assert_eq!(at(" gate ", 120.0), Ok(Some(0)), "a name is worth more than some metres");
        assert!(at("Gate", 900.0).unwrap_err().contains("name or position is wrong"));
        assert_eq!(at("By the wall", 1040.0), Ok(Some(1)));
        assert_eq!(at("By the wall", 1060.0), Ok(None));
    }

    #[test]
    fn watches_of_a_place_are_together_whatever_it_is_called() {
        let signs = [
            sign("Gate", 0.0, 100, Some(200)),
            sign("Gate", 2.0, 300, None),
            sign("Old gate", 20.0, 50, None),
        ];
        let watches = [
            watch("Gate", 0.0, 0),
            watch("the gate", 30.0, 400),
            watch("Old gate", 20.0, 500),
            watch("Ford", 5000.0, 600),
        ];
        let found = places(&watches, &signs, None);
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].signs(), &found[0].watches[..]), (&[0, 1, 2][..], &[0, 1, 2][..]));
        assert!(found[1].standing.as_ref().unwrap_err().contains("how many people walk"));
    }

    #[test]
    fn parties_seen_by_two_count_once() {
        let mut watches = vec![watch("a", 0.0, 0), watch("b", 0.0, 1800), watch("c", 0.0, 3600)];
        assert_eq!(without_overlaps(&watches, &[0, 1, 2], asked_and_watcher), [0, 2]);
        watches[1].watcher = Watcher::Seen;
        assert_eq!(without_overlaps(&watches, &[0, 1, 2], asked_and_watcher), [0, 1, 2]);
        watches[2].asked = "Leashes the dog".to_owned();
        watches[1].watcher = Watcher::Unseen;
        watches[1].asked = "leashes  the DOG".to_owned();
        assert_eq!(without_overlaps(&watches, &[0, 1, 2], asked_and_watcher), [0, 1]);
    }

    #[test]
    fn a_sign_stands_through_a_watch_or_not() {
        let gate = sign("Gate", 0.0, 1000, Some(9000));
        let check = |start_s, through, during| {
            let watch = watch("Gate", 0.0, start_s);
            assert_eq!((stands_through(&gate, &watch), stands_during(&gate, &watch)), (through, during));
        };
        check(-2600, false, false);
        check(-2599, false, true);
        check(1000, true, true);
        check(5400, true, true);
        check(5401, false, true);
        check(9000, false, false);
    }
}
