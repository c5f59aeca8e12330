#!/usr/bin/env python3
"""Checks a package: what the manifest says, the classes, the libraries, the signature. Used by `package-apk`.

verify_apk.py APK MANIFEST ABI… [--without-core]
"""

import re
import struct
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
import zipfile

ANDROID = "{http://schemas.android.com/apk/res/android}"
# Android 15 runs on phones with pages of 16 KB, all of them 64-bit (developer.android.com/guide/practices/page-sizes).
PAGE = 16384
ABIS_WITH_LARGE_PAGES = {"arm64-v8a", "x86_64"}
CORE, JNA = "librakelight.so", "libjnidispatch.so"


def dex_types(dex):
    """The types that a dex file names and those that it defines, as `Lorg/example/Name;` (Dalvik executable format)."""
    string_at, type_count, type_at = struct.unpack_from("<III", dex, 0x3C)
    class_count, class_at = struct.unpack_from("<II", dex, 0x60)

    def string(index):
        at = struct.unpack_from("<I", dex, string_at + 4 * index)[0]
        while dex[at] & 0x80:  # the length, a LEB128 number
            at += 1
        return dex[at + 1 : dex.index(0, at + 1)].decode("utf-8", "replace")

    named = [string(index) for (index,) in struct.iter_unpack("<I", dex[type_at : type_at + 4 * type_count])]
    defined = {named[struct.unpack_from("<I", dex, class_at + 32 * i)[0]] for i in range(class_count)}
    return set(named), defined


def load_alignments(elf):
    """The alignment of each segment of an ELF file that is loaded (PT_LOAD)."""
    if elf[:4] != b"\x7fELF":
        raise ValueError("no ELF file")
    if elf[4] == 2:
        at, size, count = *struct.unpack_from("<Q", elf, 0x20), *struct.unpack_from("<HH", elf, 0x36)
        segments = [struct.unpack_from("<II5QQ", elf, at + size * i) for i in range(count)]
    else:
        at, size, count = *struct.unpack_from("<I", elf, 0x1C), *struct.unpack_from("<HH", elf, 0x2A)
        segments = [struct.unpack_from("<I6II", elf, at + size * i) for i in range(count)]
    return [segment[-1] for segment in segments if segment[0] == 1]


def data_offset(apk_bytes, entry):
    """Where in the package an entry's own bytes begin."""
    name, extra = struct.unpack_from("<HH", apk_bytes, entry.header_offset + 26)
    return entry.header_offset + 30 + name + extra


def manifest_claims(manifest):
    """What a manifest says that `aapt dump badging` must repeat, and the classes that it names."""
    root = ElementTree.parse(manifest).getroot()
    package, sdk = root.get("package"), root.find("uses-sdk")

    def full(element):
        name = element.get(ANDROID + "name")
        return package + name if name.startswith(".") else name

    claims = [
        f"package: name='{package}' versionCode='{root.get(ANDROID + 'versionCode')}' versionName='{root.get(ANDROID + 'versionName')}'",
        f"sdkVersion:'{sdk.get(ANDROID + 'minSdkVersion')}'",
        f"targetSdkVersion:'{sdk.get(ANDROID + 'targetSdkVersion')}'",
    ]
    claims += [f"uses-permission: name='{use.get(ANDROID + 'name')}'" for use in root.iter("uses-permission")]
    starts = [
        full(activity)
        for activity in root.iter("activity")
        if any(c.get(ANDROID + "name") == "android.intent.category.LAUNCHER" for c in activity.iter("category"))
    ]
    claims += [f"launchable-activity: name='{name}'" for name in starts or ["one that has the category LAUNCHER"]]
    parts = [e for kind in ("application", "activity", "service", "receiver", "provider") for e in root.iter(kind) if e.get(ANDROID + "name")]
    return claims, [full(part) for part in parts]


def wrong_badging(badging, claims):
    said = set(re.findall(r"uses-permission: name='([^']*)'", badging))
    claimed = {claim.split("'")[1] for claim in claims if claim.startswith("uses-permission")}
    yield from (f"the package doesn't say {claim}" for claim in claims if claim not in badging)
    yield from (f"the package asks for {name}, which the manifest doesn't" for name in sorted(said - claimed))


def wrong_classes(dexes, classes):
    named, defined = set(), set()
    for dex in dexes:
        more_named, more_defined = dex_types(dex)
        named, defined = named | more_named, defined | more_defined
    yield from (f"the dex names {name}: only framework classes are to be had" for name in sorted(named) if "androidx/" in name)
    needed = [*classes, "org.rakelight.core.Workspace", "com.sun.jna.Native", "kotlin.Unit"]
    yield from (f"the dex lacks {name}" for name in needed if f"L{name.replace('.', '/')};" not in defined)


def wrong_libraries(apk, abis, with_core):
    """Where libraries lie, what is missing, and which wouldn't load on pages of 16 KB."""
    with open(apk, "rb") as file:
        whole = file.read()
    entries = {entry.filename: entry for entry in zipfile.ZipFile(apk).infolist()}
    wanted = [f"lib/{abi}/{name}" for abi in abis for name in (JNA, *([CORE] if with_core else []))]
    yield from (f"{name} is missing" for name in wanted if name not in entries)
    for name, entry in entries.items():
        if not name.endswith(".so"):
            continue
        if entry.compress_type != zipfile.ZIP_STORED:
            yield f"{name} is compressed"
            continue
        at = data_offset(whole, entry)
        large = name.split("/")[1] in ABIS_WITH_LARGE_PAGES
        if at % (PAGE if large else 4096):
            yield f"{name} lies at byte {at} of the package, not at a page's start"
        least = min(load_alignments(whole[at : at + entry.file_size]), default=0)
        if large and (least < PAGE or least % PAGE):
            yield f"{name} is linked for pages of {least} bytes, not {PAGE}"


def run(*command):
    done = subprocess.run(command, capture_output=True, text=True)
    return done.stdout if done.returncode == 0 else f"{command[0]}: {done.stdout}{done.stderr}"


def main(apk, manifest, abis, with_core):
    claims, classes = manifest_claims(manifest)
    names = zipfile.ZipFile(apk).namelist()
    dexes = [zipfile.ZipFile(apk).read(name) for name in names if re.fullmatch(r"classes\d*\.dex", name)]
    least_sdk = ElementTree.parse(manifest).getroot().find("uses-sdk").get(ANDROID + "minSdkVersion")
    signature = run("apksigner", "verify", "--verbose", "--min-sdk-version", least_sdk, apk)
    wrong = [
        *wrong_badging(run("aapt", "dump", "badging", apk), claims),
        *wrong_classes(dexes, classes),
        *wrong_libraries(apk, abis, with_core),
        *([] if "Verifies" in signature and "v2 scheme (APK Signature Scheme v2): true" in signature else [f"the signature doesn't hold: {signature}"]),
    ]
    for line in wrong:
        print(f"verify_apk: {line}", file=sys.stderr)
    if not wrong:
        print(f"Checked: {', '.join(claims[1:])}; {len(classes)} classes of the manifest, {sum(name.endswith('.so') for name in names)} libraries, signature")
    if not with_core:
        print("Missing, as they need the Android NDK:", *(f"lib/{abi}/{CORE}" for abi in abis if f"lib/{abi}/{CORE}" not in names))
    return 1 if wrong else 0


if __name__ == "__main__":
    arguments = [argument for argument in sys.argv[1:] if argument != "--without-core"]
    if len(arguments) < 3:
        sys.exit(__doc__)
    sys.exit(main(arguments[0], arguments[1], arguments[2:], "--without-core" not in sys.argv))
