"""Desks at which a recorder is fed."""

import pytest

from coilbench.capture.book.opening import open_book
from support.recorder_desk import HELLO, RIG, Desk


@pytest.fixture
def desk(make_book):
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id)) as db:
        yield Desk(db)


@pytest.fixture
def unworked(make_book):
    book = make_book(
        RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id, conditioning=0, measured=3
    )
    with open_book(book) as db:
        yield Desk(db)
