"""The pages, one module a subject; each holds a ``router``."""

from cardreader.web.pages import (
    backup,
    exchange,
    following,
    home,
    knownby,
    lists,
    looks,
    offline,
    paper,
    people,
    pin,
    readings,
    signin,
    summary,
    visits,
    women,
)

ROUTERS = (
    signin.router,
    pin.router,
    home.router,
    women.router,
    knownby.router,
    following.router,
    paper.router,
    visits.router,
    readings.router,
    lists.router,
    summary.router,
    exchange.router,
    people.router,
    backup.router,
    offline.router,
    looks.router,
)
