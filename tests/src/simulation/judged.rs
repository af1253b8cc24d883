//! What must hold, exactly, of a log that every fault struck: once its fees were judged again, it says of each
//! what the judge finds, and the order of telling decided nothing.

use domain::command::{Command, Dated, FirmAction};
use domain::event::FeesReviewed;
use domain::judge::EDITION;

use super::Simulation;
use crate::judgement;
use crate::player::Player;

impl Simulation {
    /// In fair weather, of a log that can be read to its end.
    pub(super) async fn is_judged_rightly(&mut self, seed: u64) -> anyhow::Result<()> {
        self.skew = 0;
        self.set_clock();
        let told = Player::of_log(self.told.iter().cloned());
        let firm = told.world.firm().expect("it was set up");
        if firm.review_is_due() {
            for case in told.cases() {
                self.ask_in_fair_weather(Command::Review { case }).await?;
            }
            let through = firm.law_at;
            let reviewed = FeesReviewed { edition: EDITION, marked: 0, through };
            let occurred_on = judgement::today(&told);
            let action = FirmAction::NoteReview(reviewed);
            let action = Dated { occurred_at: None, occurred_on, action };
            self.ask_in_fair_weather(Command::Firm { action }).await?;
            self.shared.book().count("reviews");
        }
        let told = Player::of_log(self.told.iter().cloned());
        judgement::all_are_as_marked(&told, judgement::today(&told));
        judgement::order_of_telling_decides_nothing(&told, seed);
        judgement::order_of_the_firms_facts_decides_nothing(&told, seed);
        Ok(())
    }

    async fn ask_in_fair_weather(&mut self, command: Command) -> anyhow::Result<()> {
        let request = self.enter(command);
        self.send_again(request);
        self.everybody_is_answered().await
    }
}
