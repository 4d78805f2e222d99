"""Import profiles as records: which one reads a file, storing a revision, giving it out as TOML."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from qualrec.assess.loading import Conn
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.intake.profile_text import from_toml, to_toml
from qualrec.intake.profiles import BUILT_IN, Profile, choose_profile, fitting_profiles
from qualrec.records import lookups
from qualrec.records.ledger import Writer
from qualrec.work.outfile import put
from qualrec.work.rights import require
from qualrec.work.session import Session


def known_profiles(conn: Conn, plant_id: int) -> tuple[Profile, ...]:
    """The newest stored revision of each profile, and the built-in ones whose names are not stored; by name.

    A plant keeps reading as it did: a stored profile wins over the built-in one of its name.
    """
    held = {p.name: p for p in BUILT_IN}
    held.update({s.name: from_toml(s.content) for s in lookups.import_profiles(conn, plant_id)})
    return tuple(sorted(held.values(), key=lambda p: p.name))


def find_profile(conn: Conn, plant_id: int, path: Path, wanted: str | None) -> Profile:
    """The profile for a file: by name, by the path of a .toml file, or by the heads of the file.

    Raises UnknownRecord for a name, UsageError for a .toml file that is no profile and where none or several fit.
    """
    known = known_profiles(conn, plant_id)
    if wanted is None:
        return choose_profile(path, known)
    for profile in known:
        if profile.name == wanted:
            return profile
    if wanted.casefold().endswith(".toml"):
        return read_profile(Path(wanted))
    names = ", ".join(p.name for p in known)
    raise UnknownRecord(
        f"There is no import profile {wanted!r}.", f"Known: {names}. Or give the path of a .toml file."
    )


def read_profile(path: Path) -> Profile:
    """The profile in a TOML file."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}.", "Check the path.") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path.name} is not UTF-8.", "Save it as UTF-8.") from error
    return from_toml(text)


def keep_profile(writer: Writer, profile: Profile) -> int:
    """Id of the stored revision that says exactly this; stored now where it is new.

    Raises Refused where the revision number is stored with another content, or where the person may not define profiles. A
    built-in profile is stored at its first use by anybody.
    """
    rows = [s for s in lookups.import_profiles(writer.conn, writer.plant_id) if s.name == profile.name]
    for row in rows:
        if row.revision == profile.revision:
            if from_toml(row.content) == profile:
                return row.id
            raise Refused(
                f"Revision {profile.revision} of profile {profile.name!r} is stored with another content.",
                "Raise 'revision' in the profile.",
            )
    if rows and profile.revision < rows[-1].revision:
        raise Refused(
            f"Profile {profile.name!r} is at revision {rows[-1].revision} already.",
            "Raise 'revision' in the profile above it.",
        )
    if profile not in BUILT_IN:
        require(writer.actor, "define master data")
    row_of = {
        "name": profile.name,
        "revision": profile.revision,
        "content": to_toml(profile),
        "created_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    return writer.insert("import_profile", row_of, act="import profile stored")


def save_profile(session: Session, path: Path) -> str:
    """Store a profile from a TOML file as a record; says what was stored.

    A profile that says what the newest one of its name says adds nothing. One that says something else becomes the next
    revision, or the one that the file names where that is higher. Raises Refused where the person may not define profiles.
    """
    require(session.actor, "define master data")
    profile = read_profile(path)
    with session.store.write(session.actor, session.plant.id) as writer:
        known = {p.name: p for p in known_profiles(writer.conn, writer.plant_id)}
        newest = known.get(profile.name)
        if newest is not None:
            if replace(profile, revision=newest.revision) == newest:
                return (
                    f"Import profile {profile.name!r} is there already with the same content, "
                    f"revision {newest.revision}. Nothing was added."
                )
            profile = replace(profile, revision=max(profile.revision, newest.revision + 1))
        keep_profile(writer, profile)
    before = "" if newest is None else f"; it follows revision {newest.revision}"
    return f"Import profile {profile.name!r} is stored, revision {profile.revision}{before}."


@dataclass(frozen=True, slots=True)
class ProfileLine:
    """A profile as it is listed. `origin`: 'built in' or 'stored'; `revisions`: the stored ones."""

    name: str
    revision: int
    kind: str
    subject: str
    file_format: str
    columns: tuple[str, ...]
    characteristics: tuple[str, ...]
    origin: str
    revisions: tuple[int, ...]
    stored_us: int | None
    person: str


def profile_lines(session: Session) -> tuple[ProfileLine, ...]:
    """The profiles that an import may use, each by its newest revision; by name."""
    with session.store.read() as conn:
        known = known_profiles(conn, session.plant.id)
        stored = lookups.import_profiles(conn, session.plant.id)
    found = []
    for p in known:
        kept = [s for s in stored if s.name == p.name]
        found.append(
            ProfileLine(
                p.name,
                p.revision,
                p.kind,
                p.subject,
                p.file_format,
                p.taken,
                tuple(v.characteristic for v in p.values),
                "stored" if kept else "built in",
                tuple(s.revision for s in kept),
                kept[-1].created_us if kept else None,
                kept[-1].person if kept else "",
            )
        )
    return tuple(found)


def fitting_names(session: Session, path: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the profiles whose columns are those of a file, and of all. Raises UsageError for no such file."""
    with session.store.read() as conn:
        known = known_profiles(conn, session.plant.id)
    return tuple(p.name for p in fitting_profiles(path, known)), tuple(p.name for p in known)


def find_named(session: Session, name: str, revision: int | None = None) -> Profile:
    """A profile by its name, of a stored revision or the newest. Raises UnknownRecord."""
    with session.store.read() as conn:
        known = known_profiles(conn, session.plant.id)
        stored = lookups.import_profiles(conn, session.plant.id)
    held = {(s.name, s.revision): s.content for s in stored}
    for profile in known:
        if profile.name == name:
            if revision in (None, profile.revision):
                return profile
            if (name, revision) in held:
                return from_toml(held[name, revision])
            there = ", ".join(str(r) for n, r in sorted(held) if n == name) or str(profile.revision)
            raise UnknownRecord(f"Profile {name!r} has no revision {revision}.", f"Revisions: {there}.")
    raise UnknownRecord(
        f"There is no import profile {name!r}.", f"Known: {', '.join(p.name for p in known)}."
    )


def profile_text(session: Session, name: str, revision: int | None = None) -> str:
    """A profile as TOML, to be kept or changed. Raises UnknownRecord."""
    return to_toml(find_named(session, name, revision))


def export_profile(
    session: Session, name: str, to: Path, *, revision: int | None = None, replace: bool = False
) -> str:
    """Write a profile as a TOML file. Raises UnknownRecord, and Refused where the file is there or cannot be written."""
    text = profile_text(session, name, revision)
    put(to, lambda part: _write(part, text), (".toml",), replace=replace)
    return f"{to} written: profile {name!r}."


def _write(part: Path, text: str) -> None:
    part.write_text(text, encoding="utf-8", newline="\n")
