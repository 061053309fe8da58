//! Identifiers of stored rows, one type a table, so that they cannot be mixed up.

macro_rules! id {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {
        $(
            $(#[$doc])*
            #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
            pub struct $name(pub i64);

            impl std::fmt::Display for $name {
                fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                    self.0.fmt(f)
                }
            }
        )+
    };
}

id! {
    /// An area: one park or reserve.
    AreaId,
    /// A batch of files brought in together.
    BatchId,
    /// One file of a batch.
    FileId,
    /// A row that did not go in.
    RowErrorId,
    /// A trail.
    TrailId,
    /// A trailhead.
    TrailheadId,
    /// A place.
    PlaceId,
    /// A sensitive place.
    SensitivePlaceId,
    /// A counter.
    CounterId,
    /// A survey walk.
    WalkId,
    /// An encounter.
    EncounterId,
    /// An approach.
    ApproachId,
    /// A marked or recognised snake.
    OrganismRowId,
    /// A photo of an encounter.
    PhotoId,
    /// A sign location given by staff.
    SignLocationId,
    /// A kept sign plan.
    SignPlanId,
    /// A sign in place.
    SignId,
    /// A decision.
    DecisionId,
    /// A temporary notice.
    NoticeId,
    /// An account.
    AccountId,
    /// A token for scripts and clients.
    ApiTokenId,
}
