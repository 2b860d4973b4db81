"""Lives of parts: how long they last, from lives seen whole and in part."""
