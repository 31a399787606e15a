//! Holds the directions between the parts, what the measuring core may touch, and the licences of what is linked.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use cargo_metadata::{DependencyKind, Metadata, MetadataCommand, PackageId};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn metadata() -> Metadata {
    MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .other_options(vec!["--locked".into()])
        .exec()
        .expect("cargo metadata runs on this workspace")
}

/// Names of what a package of this workspace depends on directly, tests' own needs left out.
fn direct(metadata: &Metadata, package: &str) -> BTreeSet<String> {
    let found = metadata.workspace_packages().into_iter().find(|p| p.name == package);
    let found = found.unwrap_or_else(|| panic!("{package} is a member of the workspace"));
    let needed = found.dependencies.iter().filter(|d| d.kind != DependencyKind::Development);
    needed.map(|d| d.name.clone()).collect()
}

/// Names of all packages that are linked or run when `package` is built.
fn closure(metadata: &Metadata, package: &str) -> BTreeSet<String> {
    let resolve = metadata.resolve.as_ref().expect("cargo metadata resolves");
    let nodes: BTreeMap<&PackageId, _> = resolve.nodes.iter().map(|n| (&n.id, n)).collect();
    let start = metadata.workspace_packages().into_iter().find(|p| p.name == package).map(|p| &p.id);
    let mut open: Vec<&PackageId> = start.into_iter().collect();
    let mut seen = BTreeSet::new();
    while let Some(id) = open.pop() {
        if seen.insert(id) {
            let used = nodes[id].deps.iter();
            let used = used.filter(|d| d.dep_kinds.iter().any(|k| k.kind != DependencyKind::Development));
            open.extend(used.map(|d| &d.pkg));
        }
    }
    seen.into_iter().map(|id| metadata[id].name.to_string()).collect()
}

#[test]
fn parts_depend_in_one_direction() {
    let metadata = metadata();
    let members: BTreeSet<String> =
        metadata.workspace_packages().iter().map(|p| p.name.to_string()).collect();
    let allowed: BTreeMap<&str, &[&str]> = BTreeMap::from([
        ("noise-measure", &[] as &[&str]),
        ("gst-plugin-noisemeter", &["noise-measure", "simulated-camera"]),
        ("lowlight", &["noise-measure", "simulated-camera", "gst-plugin-noisemeter"]),
        ("noisemeter-tests", &["noise-measure", "simulated-camera", "gst-plugin-noisemeter", "lowlight"]),
        ("simulated-camera", &["noise-measure"]),
    ]);
    assert_eq!(
        members.iter().map(String::as_str).collect::<Vec<_>>(),
        allowed.keys().copied().collect::<Vec<_>>()
    );
    for (package, may) in allowed {
        let inside = direct(&metadata, package).into_iter().filter(|d| members.contains(d));
        let wrong: Vec<String> = inside.filter(|d| !may.contains(&d.as_str())).collect();
        assert!(wrong.is_empty(), "{package} must not depend on {wrong:?}");
    }
    // The other way round: what is there to be used is used.
    assert!(direct(&metadata, "gst-plugin-noisemeter").contains("noise-measure"));
    assert!(
        direct(&metadata, "lowlight")
            .is_superset(&BTreeSet::from(["noise-measure".to_owned(), "gst-plugin-noisemeter".to_owned()]))
    );
}

#[test]
fn the_measuring_core_links_no_media_framework_and_no_c() {
    let linked = closure(&metadata(), "noise-measure");
    assert!(linked.contains("serde_json"), "the walk over the dependencies works: {linked:?}");
    let media =
        ["gstreamer", "glib", "gio", "gobject", "cairo", "pango", "ffmpeg", "clap", "rayon", "indicatif"];
    for name in &linked {
        let base = name.trim_end_matches("-sys");
        assert!(
            !media.iter().any(|m| base == *m || base.starts_with(&format!("{m}-"))),
            "noise-measure links {name}"
        );
        assert!(
            !["cc", "cmake", "pkg-config", "system-deps", "bindgen"].contains(&base),
            "noise-measure builds C: {name}"
        );
    }
}

/// All `.rs` files under `folder`.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let entries = fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    for entry in entries {
        let path = entry.expect("a readable folder").path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found
}

/// A source text without line comments, which may speak of anything.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.lines().map(|l| l.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

/// First names after `std::` in a text: `std::fs::File` and `std::{fs, io::Read}` both name `fs`.
fn std_modules(code: &str) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    let first =
        |s: &str| s.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    for (at, _) in code.match_indices("std::") {
        let rest = &code[at + "std::".len()..];
        let Some(group) = rest.strip_prefix('{') else {
            names.insert(first(rest));
            continue;
        };
        let (mut depth, mut start) = (0_u32, true);
        for (i, c) in group.char_indices() {
            if start && c.is_alphabetic() {
                names.insert(first(&group[i..]));
                start = false;
            }
            match c {
                '{' => depth += 1,
                '}' if depth == 0 => break,
                '}' => depth -= 1,
                ',' if depth == 0 => start = true,
                _ => {}
            }
        }
    }
    names
}

#[test]
fn names_after_std_are_found_in_both_forms() {
    let text = "use std::{fs::File, io::{self, Read}, sync::Arc};\nlet t = std::time::Instant::now();";
    assert_eq!(std_modules(text), ["fs", "io", "sync", "time"].map(str::to_owned).into());
}

#[test]
fn the_measuring_core_touches_no_file_clock_environment_or_thread() {
    for path in sources(&root().join("plugin/measure/src")) {
        let code = code(&path);
        let used = std_modules(&code);
        for module in ["fs", "env", "time", "thread", "net", "process", "os"] {
            assert!(!used.contains(module), "{} uses std::{module}", path.display());
        }
        for word in ["println!", "print!", "eprintln!", "dbg!", "stdin(", "stdout(", "stderr("] {
            assert!(!code.contains(word), "{} says {word}", path.display());
        }
    }
}

#[test]
fn sample_formats_of_gstreamer_are_named_in_one_place() {
    let frames = root().join("plugin/gst/src/frames");
    let is_name = |c: char| c.is_alphanumeric() || c == '_';
    for path in sources(&root().join("plugin/gst/src")) {
        if path.starts_with(&frames) || path == frames.with_extension("rs") {
            continue;
        }
        let code = code(&path);
        let named = code.match_indices("VideoFormat").any(|(at, word)| {
            !code[..at].ends_with(is_name) && !code[at + word.len()..].starts_with(is_name)
        });
        assert!(!named, "{} names VideoFormat; only {} may", path.display(), frames.display());
    }
}

/// The `allow` list under `[licenses]` in `.deny.toml`.
fn allowed_licences() -> BTreeSet<String> {
    let text = fs::read_to_string(root().join(".deny.toml")).expect(".deny.toml is there");
    let list = text.split("[licenses]").nth(1).and_then(|t| t.split("allow = [").nth(1));
    let list = list.and_then(|t| t.split(']').next()).expect(".deny.toml has [licenses] with an allow list");
    list.split('"').skip(1).step_by(2).map(str::to_owned).collect()
}

/// Whether an SPDX expression can be satisfied by `allowed` alone; `/` is the old way to write OR.
fn satisfied(expression: &str, allowed: &BTreeSet<String>) -> bool {
    fn words(expression: &str) -> Vec<String> {
        let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
        spaced.split_whitespace().map(str::to_owned).collect()
    }
    // OR binds least, then AND; an exception (`WITH`) belongs to the licence before it. None: not an expression.
    fn any(words: &[String], at: &mut usize, allowed: &BTreeSet<String>) -> Option<bool> {
        let mut ok = all(words, at, allowed)?;
        while words.get(*at).is_some_and(|w| w == "OR") {
            *at += 1;
            ok |= all(words, at, allowed)?;
        }
        Some(ok)
    }
    fn all(words: &[String], at: &mut usize, allowed: &BTreeSet<String>) -> Option<bool> {
        let mut ok = one(words, at, allowed)?;
        while words.get(*at).is_some_and(|w| w == "AND") {
            *at += 1;
            ok &= one(words, at, allowed)?;
        }
        Some(ok)
    }
    fn one(words: &[String], at: &mut usize, allowed: &BTreeSet<String>) -> Option<bool> {
        let mut name = words.get(*at)?.clone();
        *at += 1;
        if name == "(" {
            let ok = any(words, at, allowed)?;
            let closing = words.get(*at)?;
            *at += 1;
            return (closing == ")").then_some(ok);
        }
        if words.get(*at).is_some_and(|w| w == "WITH") {
            name = format!("{name} WITH {}", words.get(*at + 1)?);
            *at += 2;
        }
        Some(allowed.contains(&name))
    }
    let words = words(expression);
    let mut at = 0;
    any(&words, &mut at, allowed) == Some(true) && at == words.len()
}

#[test]
fn licence_expressions_are_read_as_spdx_has_them() {
    let allowed = ["MIT", "Apache-2.0 WITH LLVM-exception", "Unicode-3.0"].map(str::to_owned).into();
    for good in [
        "MIT",
        "GPL-3.0 OR MIT",
        "MIT/Apache-2.0",
        "(GPL-3.0 OR MIT) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception",
    ] {
        assert!(satisfied(good, &allowed), "{good}");
    }
    for bad in ["", "GPL-3.0", "MIT AND GPL-3.0", "Apache-2.0", "(MIT", "MIT GPL-3.0", "MIT OR GPL-3.0 AND"] {
        assert!(!satisfied(bad, &allowed), "{bad}");
    }
}

#[test]
fn every_package_has_an_allowed_licence() {
    let allowed = allowed_licences();
    assert!(allowed.contains("MPL-2.0") && allowed.len() > 3, "{allowed:?}");
    let metadata = metadata();
    for package in &metadata.packages {
        let licence = package.license.as_deref().unwrap_or_default();
        assert!(
            satisfied(licence, &allowed),
            "{} {} is under '{licence}'; .deny.toml allows {allowed:?}",
            package.name,
            package.version
        );
    }
    for package in metadata.workspace_packages() {
        assert_eq!(package.license.as_deref(), Some("MPL-2.0"), "{}", package.name);
    }
}

#[test]
fn the_licence_file_holds_the_licence() {
    let text = fs::read_to_string(root().join("LICENSE")).expect("LICENSE is there");
    assert!(
        text.starts_with("Mozilla Public License Version 2.0\n"),
        "LICENSE begins with the name of the licence"
    );
    assert!(text.contains("10.3. Modified Versions") && text.contains("Exhibit B"), "LICENSE is whole");
}
