mod support;
use support::*;
use std::time::Instant;
use domain::terms::Seat;
#[tokio::test(flavor="multi_thread", worker_threads=2)]
async fn zz() {
    let bench = bench().await;
    let n = 2_000u128;
    let t = Instant::now();
    let mut pend = vec![];
    for c in 1..=n {
        let mut acts = vec![enrol(c % 97 + 1000*0, Seat::Individual)];
        acts.extend(papers());
        pend.push(bench.engine.enqueue(FIRM, submission(c*10+100, on_case(c, "2026-01-05", acts))).await.unwrap());
    }
    for p in pend { p.await.unwrap().unwrap(); }
    bench.today("2026-01-13");
    let mut pend = vec![];
    for c in 1..=n {
        let acts = vec![import(&["loan","store","shop","car"]), basis("loan"), domain::command::CaseAction::OpenWork, domain::command::CaseAction::SendRound(domain::command::SendRound { letters: vec![letter(&["loan"])] }),
          domain::command::CaseAction::ProgressReportSent(domain::event::ProgressReportSent{document:None})];
        pend.push(bench.engine.enqueue(FIRM, submission(c*10+101, on_case(c, "2026-01-13", acts))).await.unwrap());
    }
    for p in pend { p.await.unwrap().unwrap(); }
    let head = log::LogStore::head(&*bench.store, FIRM).await.unwrap().position;
    println!("record {head} events {:?} -> {:.0}/s", t.elapsed(), head as f64/t.elapsed().as_secs_f64());
    let t = Instant::now(); bench.caught_up().await; println!("lag {:?}", t.elapsed());
    let t = Instant::now();
    let mut after=0; let mut k=0; loop { let p = log::LogStore::read(&*bench.store, FIRM, after, 20000).await.unwrap(); if p.is_empty() {break} after=p.last().unwrap().position; k+=p.len(); }
    println!("read {:.0}/s", k as f64/t.elapsed().as_secs_f64());
    let t = Instant::now();
    let streams: Vec<_> = (1..=n).flat_map(|c| [domain::event::StreamId::Case(case_id(c)), domain::event::StreamId::Account(account_id(c))]).collect();
    let l = log::LogStore::load(&*bench.store, FIRM, &streams, head).await.unwrap();
    println!("load {} streams {} events {:?}", l.len(), l.iter().map(|l| l.events.len()).sum::<usize>(), t.elapsed());
    let t = Instant::now(); bench.engine.rebuild(FIRM, |_, _| {}).await.unwrap(); println!("rebuild {:.0}/s", head as f64/t.elapsed().as_secs_f64());
    bench.today("2026-02-10");
    let t = Instant::now(); let a = bench.store.accounts_to_bill(FIRM, day("2026-02-10"), None, 10000).await.unwrap(); println!("to bill {} {:?}", a.len(), t.elapsed());
    let t = Instant::now();
    let mut pend = vec![];
    for (i,a) in a.iter().enumerate() { pend.push(bench.engine.enqueue(FIRM, submission(1_000_000+i as u128, domain::command::Command::BillAccount{account:*a, as_of: day("2026-02-10")})).await.unwrap()); }
    for p in pend { p.await.unwrap().unwrap(); }
    println!("billing {:.0} invoices/s", a.len() as f64/t.elapsed().as_secs_f64());
    let t = Instant::now(); bench.caught_up().await; println!("lag {:?}", t.elapsed());
    println!("file {} wal {}", std::fs::metadata(bench.store.path()).unwrap().len(), std::fs::metadata(format!("{}-wal", bench.store.path().display())).unwrap().len());
    let t = Instant::now(); bench.engine.verify(FIRM, |_, _| {}).await.unwrap(); println!("verify {:?}", t.elapsed());
}
