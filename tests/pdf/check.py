#!/usr/bin/env python3
"""Reads the record of `review --report` with poppler and holds it against the document beside it.

    check.py FOLDER [layout]

With `layout` only that no word leaves the page or lies over another is looked at: for names too long to
be shown whole. Every figure of review.json that the record shows has to stand in its text: of each fibre its joints and
links, of the cable its matrix, its losses at joints, its files with their hashes. A figure that is shown
may differ from the document's by no more than half of its last digit.

It is read a second time as a program does that reads aloud: by its tags.
"""
import json
import re
import subprocess
import sys
import zlib

MEASURED = r"(-?[\d.]+)(?: ± ([\d.]+))?"


def poppler(*arguments):
    return subprocess.run(arguments, check=True, capture_output=True, text=True, encoding="utf-8").stdout


def rounded(shown, value):
    """Whether a text shows a figure, rounded to the decimals it has."""
    decimals = len(shown.partition(".")[2])
    return abs(float(shown) - value) <= 0.5 * 10**-decimals * (1 + 1e-9)


class Wrong(Exception):
    pass


def holds(condition, says):
    if not condition:
        raise Wrong(says)


def figure(line, where, shown, sigma, value, value_sigma):
    holds(rounded(shown, value), f"{where}: {line!r} shows {shown}, the document says {value}")
    if value_sigma:
        holds(sigma is not None, f"{where}: {line!r} has no sigma")
        holds(rounded(sigma, value_sigma), f"{where}: {line!r} shows ± {sigma}, the document says {value_sigma}")
    return 2 if value_sigma else 1


def blocks(text):
    """The text of each fibre, by its number."""
    parts = re.split(r"^ *Fibre (\d+), .*: (pass|fail|undecided|incomplete)$", text, flags=re.M)
    found = {}
    for number, verdict, block in zip(parts[1::3], parts[2::3], parts[3::3]):
        holds(int(number) not in found, f"fibre {number} stands twice")
        found[int(number)] = (verdict, block)
    return found


def check_joints(fiber, block):
    seen = 0
    blank = {j["wavelength_nm"] for j in fiber["joints"]}
    blank -= {j["wavelength_nm"] for j in fiber["joints"] if j["loss_db"] is not None or j["reflectance_db"] is not None}
    for nm in blank:
        holds(f"No joint was measured at {nm} nm." in block, f"fibre {fiber['fiber']}: nothing of {nm} nm is said")
    for joint in fiber["joints"]:
        if joint["wavelength_nm"] in blank:
            continue
        where = f"fibre {fiber['fiber']}, {joint['name']}, {joint['wavelength_nm']} nm"
        name = re.escape(joint["name"])
        lines = re.findall(rf"^ *{name}  +(-?[\d.]+(?: ± [\d.]+)?) +{joint['wavelength_nm']} *(.*)$", block, flags=re.M)
        holds(len(lines) == 1, f"{where}: {len(lines)} lines")
        at, rest = lines[0]
        shown, sigma = re.fullmatch(MEASURED, at).groups()
        seen += figure(at, where, shown, sigma, joint["at_m"], joint["at_sigma_m"])
        wanted = [(joint[k], joint[k.replace("_db", "_sigma_db")])
                  for k in ("loss_from_a_db", "loss_from_b_db", "loss_db", "reflectance_db") if joint[k] is not None]
        words = rest.removesuffix(joint["verdict"] or "").replace("≥", "").strip()
        got = re.findall(MEASURED, words)
        holds(len(got) == len(wanted), f"{where}: {rest!r} has {len(got)} figures, the document {len(wanted)}")
        for (shown, sigma), (value, value_sigma) in zip(got, wanted):
            seen += figure(rest, where, shown, sigma or None, value, value_sigma)
        holds(joint["verdict"] is None or rest.endswith(joint["verdict"]), f"{where}: {rest!r} is not {joint['verdict']}")
    return seen


def check_links(fiber, block):
    seen = 0
    for link in fiber["links"]:
        where = f"fibre {fiber['fiber']}, link at {link['wavelength_nm']} nm"
        lines = re.findall(rf"^ *{link['wavelength_nm']}  ?.*$", block, flags=re.M)
        lines = [line for line in lines if "±" in line or "pass" in line or "fail" in line or "undecided" in line or "missing" in line]
        holds(len(lines) == 1, f"{where}: {len(lines)} lines")
        got = re.findall(r"-?\d+\.\d+", lines[0])
        wanted = [v for v in (
            link["loss_db"], link["loss_sigma_db"], link["limit_db"],
            link["return_loss_db"], link["return_loss_sigma_db"]) if v is not None]
        holds(len(got) == len(wanted), f"{where}: {lines[0]!r}, expected {wanted}")
        for shown, value in zip(got, wanted):
            seen += figure(lines[0], where, shown, None, value, None)
    return seen


def check_heat(document, text):
    """Losses at joints, a table for each wavelength; read without their places."""
    seen = 0
    wanted = {j["wavelength_nm"] for f in document["fibers"] for j in f["joints"] if j["loss_db"] is not None}
    shown_nm = set(map(int, re.findall(r"^ *Loss at every joint, mean of both ends, (\d+) nm", text, flags=re.M)))
    holds(shown_nm == wanted, f"losses at joints for {sorted(shown_nm)}, expected {sorted(wanted)}")
    for part in re.split(r"^ *Loss at every joint, mean of both ends, ", text, flags=re.M)[1:]:
        nm = int(part.split()[0])
        for fiber in document["fibers"]:
            losses = [j["loss_db"] for j in fiber["joints"] if j["wavelength_nm"] == nm]
            lines = re.findall(rf"^ *{fiber['fiber']}  +((?:-?\d\.\d{{3}}|none)(?: +(?:-?\d+\.\d{{3}}|none))*)$", part, flags=re.M)
            # A table too wide for a page stands in bands, one after the other.
            got = [word for line in lines for word in line.split()]
            holds(len(got) == len(losses), f"fibre {fiber['fiber']} at {nm} nm: {got}, expected {losses}")
            for shown, loss in zip(got, losses):
                holds((shown == "none") == (loss is None), f"fibre {fiber['fiber']} at {nm} nm: {shown}, expected {loss}")
                if loss is not None:
                    seen += figure(shown, f"fibre {fiber['fiber']} at {nm} nm", shown, None, loss, None)
    return seen


def check_layout(record):
    """No word outside the margins, none over another. 0.8 pt: what poppler's boxes have above letters."""
    number = 0
    for page in poppler("pdftotext", "-bbox", record, "-").split("<page ")[1:]:
        number += 1
        width = float(re.search(r'width="([\d.]+)"', page)[1])
        boxes = [(*map(float, box[:4]), box[4]) for box in re.findall(
            r'<word xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">(.*?)</word>', page)]
        holds(boxes, f"page {number} is empty")
        boxes.sort(key=lambda box: box[1])
        for n, (left, top, right, bottom, word) in enumerate(boxes):
            holds(left > 41 and right < width - 41, f"page {number}: {word!r} leaves the margins")
            high = bottom - top
            for other in boxes[n + 1:]:
                if other[1] > bottom:
                    break
                deep = min(bottom, other[3]) - other[1]
                wide = min(right, other[2]) - max(left, other[0])
                holds(wide < 0.8 or deep < 0.45 * high, f"page {number}: {word!r} lies over {other[4]!r}")
    return number


def unpacked(record):
    """All bytes of the file, with what its deflated streams hold behind them."""
    with open(record, "rb") as file:
        raw = file.read()
    for start in re.finditer(rb"/FlateDecode[^>]*>>\s*stream\r?\n", raw):
        raw += zlib.decompressobj().decompress(raw[start.end():])
    return raw


def parts(record):
    """The document's parts in their order: depth, what it is, its own text."""
    found = []
    for line in poppler("pdfinfo", "-struct-text", record).splitlines():
        depth, line = len(line) - len(line.lstrip(" ")), line.strip()
        text = re.fullmatch(r'"(.*)"', line)
        kind = re.match(r"(Document|H\d|P|Table|TR|TH|TD|Figure)\b", line)
        if text and found:
            found[-1][2] += text[1]
        elif kind:
            found.append([depth, kind[1], ""])
    return found


def check_tags(record, document, text):
    """Every word belongs to a part, headings go down step by step, tables are even, pictures are told in words."""
    about = poppler("pdfinfo", record)
    holds(re.search(r"^Tagged: +yes$", about, flags=re.M), "it is not tagged")
    title = re.search(r"^Title: +(.*)$", about, flags=re.M)
    holds(title and len(title[1]) > 10, "it has no title")
    raw = unpacked(record)
    holds(b"/Lang(en)" in raw, "it does not say its language")
    found = parts(record)
    kinds = [kind for _, kind, _ in found]
    levels = [int(kind[1]) for kind in kinds if re.fullmatch(r"H\d", kind)]
    holds(levels[:1] == [1] and levels.count(1) == 1, f"headings begin {levels[:3]}")
    holds(all(b <= a + 1 for a, b in zip(levels, levels[1:])), f"a level of headings is left out: {levels}")
    headed = {int(n) for kind, n in re.findall(r"(H2)\nFibre (\d+),", "\n".join(f"{k}\n{t}" for _, k, t in found))}
    holds(headed == {fiber["fiber"] for fiber in document["fibers"]}, f"headings of fibres {sorted(headed)}")
    figures = kinds.count("Figure")
    drawn = {t["fiber"] for t in document["tests"] if t["file"] and t["fiber"] in headed and t["verdict"] != "unreadable"}
    holds(figures == raw.count(b"/S/Figure") == raw.count(b"/Alt"), f"{figures} pictures, not each told in words")
    holds(figures == 2 * len(drawn), f"{figures} pictures of {len(drawn)} fibres")
    widths = []
    for kind in kinds:
        if kind == "Table":
            widths.append([])
        elif kind == "TR":
            widths[-1].append(0)
        elif kind in ("TH", "TD"):
            widths[-1][-1] += 1
    holds(widths and all(len(set(rows)) == 1 and len(rows) > 1 for rows in widths), f"cells in rows of tables: {widths}")
    read = words("".join(part[2] for part in found))
    unread = {word for word in text.split() if words(word) not in read}
    holds(not unread, f"words of no part: {sorted(unread)[:9]}")
    return len(found)


def words(text):
    return re.sub(r"\s+", "", text)


def main():
    folder = sys.argv[1]
    record = f"{folder}/review.pdf"
    looked_at = check_layout(record)
    if sys.argv[2:] == ["layout"]:
        print(f"{looked_at} pages, no word over another or beyond the margins")
        return
    with open(f"{folder}/review.json", encoding="utf-8") as file:
        document = json.load(file)
    pages = poppler("pdftotext", "-layout", record, "-").split("\f")[:-1]
    for number, page in enumerate(pages, 1):
        holds(f"page {number} of {len(pages)}" in page, f"page {number} does not say so")
        holds(document["caution"] in page, f"page {number} has no caution")
    # The foot stands between a fibre's lines where its table runs over a page.
    text = "\n".join(re.sub(r"^ *Treat every fibre as live.*\Z", "", page, flags=re.M | re.S) for page in pages)
    counts = document["counts"]
    holds(f"{counts['planned']} measurements planned, {counts['measured']} measured: {counts['passed']} passed, "
          f"{counts['failed']} failed, {counts['undecided']} undecided; {counts['missing']} missing" in text, "the counts")
    holds(document["plan"]["sha256"] in text, "the plan's hash")
    figures = check_heat(document, text)
    holds(figures > 0 or not any(f["joints"] for f in document["fibers"]), "no losses at joints")
    own = blocks(text)
    holds(sorted(own) == sorted(f["fiber"] for f in document["fibers"]), f"fibres {sorted(own)}")
    for fiber in document["fibers"]:
        verdict, block = own[fiber["fiber"]]
        holds(verdict == fiber["verdict"], f"fibre {fiber['fiber']} is {verdict}, the document says {fiber['verdict']}")
        figures += check_joints(fiber, block) + check_links(fiber, block)
        for found in fiber["findings"]:
            holds(words(found["says"]) in words(block), f"fibre {fiber['fiber']} does not say: {found['says']}")
    for test in document["tests"]:
        for part in ("sha256", "measured_at"):
            holds(test[part] is None or test[part] in text, f"{test['file']}: {part} {test[part]} is not listed")
    for key in ("instrument", "serial"):
        for value in {test[key] for test in document["tests"]} - {None, ""}:
            holds(len(value) > 40 or value in text, f"{key} {value} is not named")
    tags = check_tags(record, document, text)
    fonts = poppler("pdffonts", record).splitlines()[2:]
    holds(fonts and all(re.search(r" yes yes yes +\d", line) for line in fonts), f"fonts not embedded, cut and searchable: {fonts}")
    safety = [line for line in open("docs/safety.md", encoding="utf-8") if line.startswith("- **")]
    for line in safety:
        lead = line[2:].split("**")[1]
        holds(words(lead) in words(text), f"the safety note lacks: {lead}")
    print(f"{len(pages)} pages, {figures} figures as in the document, {tags} tagged parts, {len(fonts)} fonts embedded")


if __name__ == "__main__":
    try:
        main()
    except Wrong as wrong:
        sys.exit(f"{sys.argv[1]}/review.pdf: {wrong}")
