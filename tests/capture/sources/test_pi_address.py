import re

import pytest

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.pi_pins import PiSetup

AS_DRAWN = PiSetup(dout=5, sck=6, a=17, b=27, gain=128, sps=80, um=5.0)


@pytest.mark.parametrize("url", ["pi:", "pi:dout=5,sck=6,a=17,b=27", "pi:sps=80,um=5,gain=128"])
def test_without_more_the_wiring_is_as_drawn(url):
    assert PiSetup.parse(url) == AS_DRAWN


def test_every_key_is_read():
    url = "pi:dout=20,sck=21,a=2,b=3,gain=32,sps=10,um=0.5"
    assert PiSetup.parse(url) == PiSetup(20, 21, 2, 3, gain=32, sps=10, um=0.5)


@pytest.mark.parametrize(
    ("url", "word"),
    [
        ("pi:clk=6", "'clk'"),
        ("pi:dout", "dout has no value"),
        ("pi:dout=", "dout has no value"),
        ("pi:dout=5,dout=7", "dout is given twice"),
        ("pi:dout=28", "dout=28"),
        ("pi:dout=1", "dout=1"),
        ("pi:dout=-5", "dout=-5"),
        ("pi:dout=five", "dout=five"),
        ("pi:dout=٥", "dout=٥"),
        ("pi:sck=5", "GPIO5"),
        ("pi:a=27", "a and b"),
        ("pi:gain=100", r"gain=100.*128.*\b64\b.*\b32\b"),
        ("pi:sps=93", r"sps=93.*\b80\b.*\b10\b"),
        ("pi:um=0", "um=0"),
        ("pi:um=nan", "um=nan"),
        ("pi:um=1e9", "um=1e9"),
        ("pi:um=fine", "um=fine"),
        ("pi://dout=5", "'//dout'"),
    ],
)
def test_what_makes_no_sense_is_named(url, word):
    with pytest.raises(CoilbenchError) as caught:
        PiSetup.parse(url)
    assert re.search(word, caught.value.what)
    assert caught.value.where == url
    assert "\n" not in str(caught.value)
