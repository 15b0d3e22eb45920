"""A table of a notebook: whatever its words hold."""

from roomeq.base.view import html_table


def test_words_are_escaped_and_what_is_none_is_blank():
    assert html_table("a < b", ["x & y"], [[None], ["<i>"], [3]]) == (
        "<table><caption>a &lt; b</caption><thead><tr><th>x &amp; y</th></tr></thead>"
        "<tbody><tr><td></td></tr><tr><td>&lt;i&gt;</td></tr><tr><td>3</td></tr></tbody></table>"
    )
