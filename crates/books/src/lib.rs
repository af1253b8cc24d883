//! A firm's books: the chart of accounts, one balanced entry for each event that moves money, trial
//! balance, aging, and the matching of deposits. Pure: everything is a function of the events.

pub mod matching;
