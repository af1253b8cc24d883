//! Where sealed blobs lie: a folder, or a bucket of a store that speaks S3.
//!
//! A blob is written whole in one step, under another name until it is there: nobody ever sees half of
//! one. What a process leaves that ends in the middle is cleared away by [`BlobStore::clear_unfinished`].

use std::path::{Path as FilePath, PathBuf};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, SystemTime};

use futures::{StreamExt as _, TryStreamExt as _};
use object_store::aws::{AmazonS3Builder, AmazonS3ConfigKey};
use object_store::local::LocalFileSystem;
use object_store::memory::InMemory;
use object_store::path::Path;
use object_store::{ObjectMeta, ObjectStore, ObjectStoreExt as _, RetryConfig};
use uuid::Uuid;

use super::BlobName;

/// How a bucket is named.
const BUCKET_SCHEME: &str = "s3://";
/// Tries of one request to a bucket, after the first. Whoever waits for the answer may ask again.
const BUCKET_RETRIES_MAX: usize = 3;
/// How long after the first try of a request to a bucket it is tried again.
const BUCKET_RETRY_TIME: Duration = Duration::from_secs(10);

/// Why blobs cannot be had or kept.
#[derive(Debug, thiserror::Error)]
pub enum StorageError {
    /// The name is none.
    #[error("evidence is kept in a folder, or in s3://BUCKET or s3://BUCKET/PREFIX")]
    Name,
    /// What the environment says of the bucket is not enough, or does not fit.
    #[error("the bucket {bucket} cannot be used as the environment says (AWS_*)")]
    Bucket {
        /// Which.
        bucket: String,
        /// What is wrong.
        #[source]
        source: object_store::Error,
    },
    /// The folder cannot be made or looked into.
    #[error("the folder {} cannot be used", .path.display())]
    Folder {
        /// Which.
        path: PathBuf,
        /// What the system met.
        #[source]
        source: std::io::Error,
    },
    /// The store does not do what it is asked.
    #[error("evidence cannot be {what}")]
    Store {
        /// Read, written, listed or deleted.
        what: &'static str,
        /// What the store met.
        #[source]
        source: object_store::Error,
    },
}

/// One blob as it lies there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoredBlob {
    /// Its name.
    pub name: BlobName,
    /// Its length, sealed.
    pub bytes: u64,
}

/// Where blobs lie. A folder is made when the first is written.
#[derive(Debug)]
pub struct BlobStore {
    behind: Behind,
}

#[derive(Debug)]
enum Behind {
    Folder { path: PathBuf, opened: OnceLock<Arc<LocalFileSystem>> },
    Objects { objects: Arc<dyn ObjectStore>, prefix: Path, place: String },
}

impl BlobStore {
    /// A folder of this machine.
    pub fn in_folder(path: impl Into<PathBuf>) -> Self {
        Self { behind: Behind::Folder { path: path.into(), opened: OnceLock::new() } }
    }

    /// `s3://BUCKET/PREFIX`, or else a folder. What a bucket needs to be reached is among `options`,
    /// called as in the environment (`AWS_ACCESS_KEY_ID`, `AWS_REGION`, `AWS_ENDPOINT`, …).
    pub fn named(
        name: &str,
        options: impl IntoIterator<Item = (String, String)>,
    ) -> Result<Self, StorageError> {
        match name.strip_prefix(BUCKET_SCHEME) {
            Some(bucket) => Self::in_bucket(bucket, options),
            None if name.is_empty() || name.contains("://") => Err(StorageError::Name),
            None => Ok(Self::in_folder(name)),
        }
    }

    fn in_bucket(
        name: &str,
        options: impl IntoIterator<Item = (String, String)>,
    ) -> Result<Self, StorageError> {
        let (bucket, prefix) = name.split_once('/').unwrap_or((name, ""));
        let prefix = Path::parse(prefix).map_err(|_| StorageError::Name)?;
        if bucket.is_empty() {
            return Err(StorageError::Name);
        }
        // The client takes whichever provider of TLS the process has; another that is set is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let retry = RetryConfig {
            max_retries: BUCKET_RETRIES_MAX,
            retry_timeout: BUCKET_RETRY_TIME,
            ..RetryConfig::default()
        };
        let known = |(key, value): (String, String)| {
            let key: AmazonS3ConfigKey = key.to_ascii_lowercase().parse().ok()?;
            Some((key, value))
        };
        let builder = options
            .into_iter()
            .filter(|(key, _)| key.starts_with("AWS_"))
            .filter_map(known)
            .fold(AmazonS3Builder::new(), |builder, (key, value)| builder.with_config(key, value));
        let built = builder.with_bucket_name(bucket).with_retry(retry).build();
        let objects =
            built.map_err(|source| StorageError::Bucket { bucket: bucket.to_owned(), source })?;
        let place = format!("{BUCKET_SCHEME}{name}");
        Ok(Self { behind: Behind::Objects { objects: Arc::new(objects), prefix, place } })
    }

    /// In memory, gone with the process: for tests of whatever uses blobs.
    pub fn in_memory() -> Self {
        let (prefix, place) = (Path::from("prefix"), "memory".to_owned());
        Self { behind: Behind::Objects { objects: Arc::new(InMemory::new()), prefix, place } }
    }

    /// Where it is, for people.
    pub fn place(&self) -> String {
        match &self.behind {
            Behind::Folder { path, .. } => path.display().to_string(),
            Behind::Objects { place, .. } => place.clone(),
        }
    }

    /// Keeps a sealed blob, in the place of whatever has its name. Whether something had.
    pub async fn put(
        &self,
        firm: Uuid,
        person: Uuid,
        name: BlobName,
        sealed: Vec<u8>,
    ) -> Result<bool, StorageError> {
        let objects = self.made()?;
        let path = self.path(&[&firm.to_string(), &person.to_string(), &name.to_string()]);
        let was_there = match objects.head(&path).await {
            Ok(_) => true,
            Err(object_store::Error::NotFound { .. }) => false,
            Err(source) => return Err(failed("written")(source)),
        };
        objects.put(&path, sealed.into()).await.map_err(failed("written"))?;
        Ok(was_there)
    }

    /// A sealed blob, if one has the name. One that is longer than `most` is given cut off, as nothing
    /// that would open.
    pub async fn get(
        &self,
        firm: Uuid,
        person: Uuid,
        name: BlobName,
        most: u64,
    ) -> Result<Option<Vec<u8>>, StorageError> {
        let Some(objects) = self.there()? else { return Ok(None) };
        let path = self.path(&[&firm.to_string(), &person.to_string(), &name.to_string()]);
        let found = match objects.get(&path).await {
            Ok(found) => found,
            Err(object_store::Error::NotFound { .. }) => return Ok(None),
            Err(source) => return Err(failed("read")(source)),
        };
        if found.meta.size > most {
            return Ok(Some(Vec::new()));
        }
        Ok(Some(found.bytes().await.map_err(failed("read"))?.into()))
    }

    /// The blobs of a person, in the order of their names. What else lies there is left out.
    pub async fn list(&self, firm: Uuid, person: Uuid) -> Result<Vec<StoredBlob>, StorageError> {
        let Some(objects) = self.there()? else { return Ok(Vec::new()) };
        let folder = self.path(&[&firm.to_string(), &person.to_string()]);
        let found: Vec<_> =
            objects.list(Some(&folder)).try_collect().await.map_err(failed("listed"))?;
        let named = |object: &ObjectMeta| {
            let name = object.location.filename().and_then(BlobName::parse)?;
            Some(StoredBlob { name, bytes: object.size })
        };
        let mut blobs: Vec<StoredBlob> = found.iter().filter_map(named).collect();
        blobs.sort_by_key(|blob| blob.name);
        Ok(blobs)
    }

    /// The people of a firm who have blobs, in the order of their ids.
    pub async fn people(&self, firm: Uuid) -> Result<Vec<Uuid>, StorageError> {
        let Some(objects) = self.there()? else { return Ok(Vec::new()) };
        let folder = self.path(&[&firm.to_string()]);
        let found = objects.list_with_delimiter(Some(&folder)).await.map_err(failed("listed"))?;
        let id = |path: &Path| path.filename().and_then(|name| Uuid::try_parse(name).ok());
        let mut people: Vec<Uuid> = found.common_prefixes.iter().filter_map(id).collect();
        people.sort_unstable();
        Ok(people)
    }

    /// Deletes everything of a person, whatever its name, and says how much that was.
    pub async fn delete_all(&self, firm: Uuid, person: Uuid) -> Result<u64, StorageError> {
        let Some(objects) = self.there()? else { return Ok(0) };
        let folder = self.path(&[&firm.to_string(), &person.to_string()]);
        let found: Vec<Path> = objects
            .list(Some(&folder))
            .map_ok(|object| object.location)
            .try_collect()
            .await
            .map_err(failed("listed"))?;
        let mut deleted = objects.delete_stream(futures::stream::iter(found).map(Ok).boxed());
        let mut count = 0;
        while let Some(deletion) = deleted.next().await {
            match deletion {
                Ok(_) => count += 1,
                // Somebody else deletes the same.
                Err(object_store::Error::NotFound { .. }) => {}
                Err(source) => return Err(failed("deleted")(source)),
            }
        }
        Ok(count)
    }

    /// Deletes one blob, if it is there.
    pub async fn delete(
        &self,
        firm: Uuid,
        person: Uuid,
        name: BlobName,
    ) -> Result<(), StorageError> {
        let Some(objects) = self.there()? else { return Ok(()) };
        let path = self.path(&[&firm.to_string(), &person.to_string(), &name.to_string()]);
        match objects.delete(&path).await {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(source) => Err(failed("deleted")(source)),
        }
    }

    /// Deletes what a process left that ended in the middle of writing a blob of the firm before that
    /// time, and says how much that was. It looks through a whole folder, and so blocks. A bucket has
    /// nothing of the kind: a blob is put there by one request, which counts whole or not at all.
    pub fn clear_unfinished(&self, firm: Uuid, before: SystemTime) -> Result<u64, StorageError> {
        let Behind::Folder { path, .. } = &self.behind else { return Ok(0) };
        let failed = |source| StorageError::Folder { path: path.clone(), source };
        let mut cleared = 0;
        for person in entries(&path.join(firm.to_string())).map_err(failed)? {
            for file in entries(&person).map_err(failed)? {
                if is_unfinished(&file) && is_older(&file, before).map_err(failed)? {
                    match std::fs::remove_file(&file) {
                        Ok(()) => cleared += 1,
                        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                        Err(error) => return Err(failed(error)),
                    }
                }
            }
        }
        Ok(cleared)
    }

    fn path(&self, parts: &[&str]) -> Path {
        let below = match &self.behind {
            Behind::Folder { .. } => Path::default(),
            Behind::Objects { prefix, .. } => prefix.clone(),
        };
        parts.iter().fold(below, |path, part| path.join(*part))
    }

    /// The store, if there is anything in it.
    fn there(&self) -> Result<Option<Arc<dyn ObjectStore>>, StorageError> {
        match &self.behind {
            Behind::Folder { path, opened } if opened.get().is_none() && !path.exists() => Ok(None),
            Behind::Folder { .. } | Behind::Objects { .. } => self.opened().map(Some),
        }
    }

    /// The store, made if it is not there: a folder that only its owner looks into.
    fn made(&self) -> Result<Arc<dyn ObjectStore>, StorageError> {
        if let Behind::Folder { path, .. } = &self.behind {
            let mut folder = std::fs::DirBuilder::new();
            folder.recursive(true);
            #[cfg(unix)]
            std::os::unix::fs::DirBuilderExt::mode(&mut folder, 0o700);
            folder
                .create(path)
                .map_err(|source| StorageError::Folder { path: path.clone(), source })?;
        }
        self.opened()
    }

    fn opened(&self) -> Result<Arc<dyn ObjectStore>, StorageError> {
        match &self.behind {
            Behind::Objects { objects, .. } => Ok(Arc::clone(objects)),
            Behind::Folder { path, opened } => {
                if let Some(folder) = opened.get() {
                    return Ok(folder.clone());
                }
                let folder = LocalFileSystem::new_with_prefix(path).map_err(failed("opened"))?;
                // On disk before anybody is told so; and a person's folder goes with the last blob.
                let folder = Arc::new(folder.with_fsync(true).with_automatic_cleanup(true));
                Ok(opened.get_or_init(|| folder).clone())
            }
        }
    }
}

fn failed(what: &'static str) -> impl FnOnce(object_store::Error) -> StorageError {
    move |source| StorageError::Store { what, source }
}

/// What a folder holds; nothing if it is not there.
fn entries(folder: &FilePath) -> std::io::Result<Vec<PathBuf>> {
    match std::fs::read_dir(folder) {
        Ok(entries) => entries.map(|entry| Ok(entry?.path())).collect(),
        Err(error) if is_none(&error) => Ok(Vec::new()),
        Err(error) => Err(error),
    }
}

/// No folder: not there, gone meanwhile, or a file.
fn is_none(error: &std::io::Error) -> bool {
    matches!(error.kind(), std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory)
}

/// A name as the library for folders gives it to what is being written: the blob's, `#` and a number.
fn is_unfinished(file: &FilePath) -> bool {
    let name = file.file_name().and_then(|name| name.to_str());
    let parts = name.and_then(|name| name.split_once('#'));
    parts.is_some_and(|(name, number)| {
        BlobName::parse(name).is_some() && number.bytes().all(|byte| byte.is_ascii_digit())
    })
}

fn is_older(file: &FilePath, before: SystemTime) -> std::io::Result<bool> {
    match std::fs::metadata(file).and_then(|file| file.modified()) {
        Ok(modified) => Ok(modified < before),
        Err(error) if is_none(&error) => Ok(false),
        Err(error) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRM: Uuid = Uuid::from_u128(1);
    const PERSON: Uuid = Uuid::from_u128(2);
    const OTHER: Uuid = Uuid::from_u128(3);
    const MOST: u64 = 1_000;

    fn name(byte: u8) -> BlobName {
        BlobName([byte; 32])
    }

    /// What every store does, whichever is behind it.
    async fn keeps_lists_and_deletes(store: &BlobStore) {
        assert_eq!(store.get(FIRM, PERSON, name(1), MOST).await.unwrap(), None);
        assert!(store.people(FIRM).await.unwrap().is_empty());
        assert_eq!(store.delete_all(FIRM, PERSON).await.unwrap(), 0);
        assert!(!store.put(FIRM, PERSON, name(2), vec![2; 20]).await.unwrap());
        assert!(!store.put(FIRM, PERSON, name(1), vec![1; 10]).await.unwrap());
        assert!(!store.put(FIRM, OTHER, name(1), vec![3; 30]).await.unwrap());
        assert!(store.put(FIRM, PERSON, name(1), vec![9; 11]).await.unwrap(), "in its place");
        assert_eq!(store.get(FIRM, PERSON, name(1), MOST).await.unwrap(), Some(vec![9; 11]));
        assert_eq!(store.get(FIRM, PERSON, name(1), 10).await.unwrap(), Some(vec![]), "too long");
        let listed = store.list(FIRM, PERSON).await.unwrap();
        let of = |byte, bytes| StoredBlob { name: name(byte), bytes };
        assert_eq!(listed, [of(1, 11), of(2, 20)]);
        assert_eq!(store.people(FIRM).await.unwrap(), [PERSON, OTHER]);
        assert!(store.people(Uuid::from_u128(9)).await.unwrap().is_empty());
        store.delete(FIRM, PERSON, name(2)).await.unwrap();
        store.delete(FIRM, PERSON, name(2)).await.unwrap();
        assert_eq!(store.list(FIRM, PERSON).await.unwrap(), [of(1, 11)]);
        assert_eq!(store.delete_all(FIRM, PERSON).await.unwrap(), 1);
        assert_eq!(store.people(FIRM).await.unwrap(), [OTHER]);
        assert_eq!(store.list(FIRM, PERSON).await.unwrap(), []);
        assert_eq!(store.list(FIRM, OTHER).await.unwrap(), [of(1, 30)]);
    }

    #[tokio::test]
    async fn a_folder_keeps_lists_and_deletes() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("evidence");
        let store = BlobStore::in_folder(&path);
        assert!(store.people(FIRM).await.unwrap().is_empty());
        assert!(!path.exists(), "looking makes nothing");
        keeps_lists_and_deletes(&store).await;
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o700);
        }
        keeps_lists_and_deletes(&BlobStore::in_folder(folder.path().join("other"))).await;
    }

    #[tokio::test]
    async fn objects_below_a_prefix_are_kept_listed_and_deleted() {
        keeps_lists_and_deletes(&BlobStore::in_memory()).await;
    }

    #[tokio::test]
    async fn what_was_not_finished_is_seen_by_nobody_and_cleared_once_it_is_old() {
        let folder = tempfile::tempdir().unwrap();
        let store = BlobStore::in_folder(folder.path());
        store.put(FIRM, PERSON, name(1), vec![1; 10]).await.unwrap();
        let place = folder.path().join(FIRM.to_string()).join(PERSON.to_string());
        let half = place.join(format!("{}#1", name(2)));
        std::fs::write(&half, "half").unwrap();
        std::fs::write(place.join("notes#1"), "not ours").unwrap();
        assert_eq!(store.list(FIRM, PERSON).await.unwrap().len(), 1);
        assert_eq!(store.get(FIRM, PERSON, name(2), MOST).await.unwrap(), None);
        let written = std::fs::metadata(&half).unwrap().modified().unwrap();
        assert_eq!(store.clear_unfinished(FIRM, written).unwrap(), 0);
        let later = written + Duration::from_secs(1);
        assert_eq!(store.clear_unfinished(Uuid::from_u128(9), later).unwrap(), 0, "another firm");
        assert_eq!(store.clear_unfinished(FIRM, later).unwrap(), 1);
        assert!(!half.exists() && place.join("notes#1").exists());
        assert_eq!(store.list(FIRM, PERSON).await.unwrap().len(), 1);
    }

    #[test]
    fn a_place_is_a_folder_or_a_bucket() {
        let options = [
            ("AWS_REGION", "us-east-2"),
            ("AWS_ACCESS_KEY_ID", "id"),
            ("AWS_SECRET_ACCESS_KEY", "secret"),
            ("AWS_NOT_KNOWN", "x"),
            ("HOME", "/"),
        ]
        .map(|(key, value)| (key.to_owned(), value.to_owned()));
        let named = |name: &str| BlobStore::named(name, options.clone());
        assert_eq!(named("a/b").unwrap().place(), "a/b");
        for bucket in ["s3://evidence", "s3://evidence/firms/one"] {
            assert_eq!(named(bucket).unwrap().place(), bucket);
        }
        for wrong in ["", "s3://", "s3:///prefix", "gs://bucket", "https://host/bucket"] {
            assert!(matches!(named(wrong), Err(StorageError::Name)), "{wrong}");
        }
        let half = BlobStore::named("s3://evidence", options[..2].to_vec()).unwrap_err();
        assert!(matches!(half, StorageError::Bucket { .. }), "an id without its secret: {half:?}");
    }
}
