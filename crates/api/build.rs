//! Compiles the contract in `proto/` without a system `protoc`, and keeps its descriptor set for
//! reflection, JSON and the contract test.

use std::path::{Path, PathBuf};
use std::{env, fs, io};

/// Messages that hold personal values or secrets: `private.rs` gives them a `Debug` that hides them.
const PRIVATE: &[&str] = &[
    ".counterfoil.v1.Address",
    ".counterfoil.v1.AttestBasis",
    ".counterfoil.v1.Cancel",
    ".counterfoil.v1.Card",
    ".counterfoil.v1.CardOnFile",
    ".counterfoil.v1.CaseSummary",
    ".counterfoil.v1.Charge",
    ".counterfoil.v1.ClientName",
    ".counterfoil.v1.ChangeCircumstance",
    ".counterfoil.v1.CircumstanceSeen",
    ".counterfoil.v1.ClosePeriod",
    ".counterfoil.v1.Contact",
    ".counterfoil.v1.CorrectMoneyRequest",
    ".counterfoil.v1.CorrectedFact",
    ".counterfoil.v1.CreateTokenResponse",
    ".counterfoil.v1.DownloadResponse",
    ".counterfoil.v1.EndService",
    ".counterfoil.v1.Enrol",
    ".counterfoil.v1.Event",
    ".counterfoil.v1.FactCorrection",
    ".counterfoil.v1.FindCasesRequest",
    ".counterfoil.v1.GrantCreditRequest",
    ".counterfoil.v1.IdentityPaperRejected",
    ".counterfoil.v1.InvoiceLowered",
    ".counterfoil.v1.KeepFeeRequest",
    ".counterfoil.v1.Letter",
    ".counterfoil.v1.MessageLogged",
    ".counterfoil.v1.NoteCorrection",
    ".counterfoil.v1.PauseService",
    ".counterfoil.v1.PaymentRefunded",
    ".counterfoil.v1.PromisedResult",
    ".counterfoil.v1.RecordFindingRequest",
    ".counterfoil.v1.RequestRefundRequest",
    ".counterfoil.v1.UploadRequest",
    ".counterfoil.v1.WriteOffRequest",
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let root = PathBuf::from(env::var("CARGO_MANIFEST_DIR")?).join("../../proto");
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-changed={}", root.display());
    let mut files = contract_files(&root)?;
    // Not imported by the contract, but clients need it to print the details of an error.
    files.push("google/rpc/error_details.proto".into());

    let mut compiler = protox::Compiler::new([&root])?;
    compiler.include_imports(true).include_source_info(true).open_files(files)?;
    let out = PathBuf::from(env::var("OUT_DIR")?);
    // Encoded by the compiler itself: the plain descriptor type would lose the annotations.
    fs::write(out.join("contract.binpb"), compiler.encode_file_descriptor_set())?;

    // The codec asks each message what the contract calls it.
    let mut names = tonic_prost_build::Config::new();
    names.enable_type_names();
    tonic_prost_build::configure()
        .extern_path(".google.rpc", "::tonic_types::pb")
        .skip_debug(PRIVATE)
        .codec_path("crate::codec::ContractCodec")
        .compile_fds_with_config(compiler.file_descriptor_set(), names)?;
    Ok(())
}

fn contract_files(root: &Path) -> io::Result<Vec<PathBuf>> {
    let package = Path::new("counterfoil/v1");
    let mut files = Vec::new();
    for entry in fs::read_dir(root.join(package))? {
        let path = entry?.path();
        if let (true, Some(name)) =
            (path.extension().is_some_and(|e| e == "proto"), path.file_name())
        {
            files.push(package.join(name));
        }
    }
    files.sort();
    Ok(files)
}
