//! Global empirical Bayes rates (Marshall 1991).
