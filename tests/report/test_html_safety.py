"""What a file, a header or a person can write never becomes more than text, and nothing comes from elsewhere."""

import dataclasses
import re

from qca.report.html import report_html

HOSTILE = "</title><script>alert(1)</script><img src=x onerror=alert(2)>\"'{{ 7*7 }}\u202e\x1b[31m&amp;"


def test_hostile_text_stays_text(page_of, bifurcation, mild_code):
    """Every text field that a file, a person or a header can fill."""
    from qca.reading import Flag

    frame = dataclasses.replace(
        bifurcation.frame,
        file=HOSTILE,
        warnings=(HOSTILE,),
        geometry=dataclasses.replace(bifurcation.frame.geometry, warnings=(HOSTILE,)),
    )
    record = dataclasses.replace(
        bifurcation.reading.frame, file=HOSTILE, grey_rule=HOSTILE, detail={HOSTILE: HOSTILE, "n": [HOSTILE]}
    )
    limbs = {
        name: dataclasses.replace(
            limb,
            reference_source=HOSTILE,
            profile=dataclasses.replace(limb.profile, flags=((HOSTILE,),) * len(limb.profile.flags)),
        )
        for name, limb in bifurcation.reading.limbs.items()
    }
    reading = dataclasses.replace(
        bifurcation.reading,
        frame=record,
        limbs=limbs,
        scale=dataclasses.replace(bifurcation.reading.scale, source=HOSTILE, detail={HOSTILE: HOSTILE}),
        fit={HOSTILE: HOSTILE},
        flags=(Flag(mild_code, HOSTILE, HOSTILE), Flag(HOSTILE, "side", HOSTILE)),
        medina=dataclasses.replace(bifurcation.reading.medina, code=HOSTILE),
    )
    text = report_html(reading, frame)
    page = page_of(text)
    assert not page.all("script")
    assert not page.all("img")
    assert not [key for e in page.elements for key in e.attrs if key.startswith("on")]
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "{{ 7*7 }}" in page.all("title")[0].text
    assert "<script>alert(1)</script>" in page.all("title")[0].text


def test_nothing_comes_from_elsewhere(page, bifurcation):
    text = report_html(bifurcation.reading, bifurcation.frame)
    addresses = set(re.findall(r"https?://[^\s\"'<>)]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    assert not page.all("link")
    assert not page.all("script")
    assert not re.search(r"url\(|@import", text)
    for element in page.elements:
        for key in ("src", "href", "xlink:href", "action", "data"):
            assert element.attrs.get(key, "#").startswith(("#", "data:image/png;base64,"))


def test_same_reading_same_document(bifurcation):
    assert report_html(bifurcation.reading, bifurcation.frame) == report_html(bifurcation.reading, bifurcation.frame)


def test_no_time_stamp(bifurcation):
    text = report_html(bifurcation.reading, bifurcation.frame)
    assert not re.search(r"\b20\d\d-\d\d-\d\d|\d\d:\d\d:\d\d", re.sub(r"base64,[^\"]+", "", text))
