"""One check more than the tool has: what fits the schema is never refused as not fitting it."""

import re

import schemathesis

from api.app import NO_FORM

KEY = re.compile("[!-~]{1,100}")  # what the description says of the header


@schemathesis.check
def a_form_that_fits_is_not_refused_as_a_form(ctx, response, case):
    meta = case.meta
    if meta is None or not meta.generation.mode.is_positive or response.status_code != 422:
        return
    key = (case.headers or {}).get("Idempotency-Key")
    if key is not None and not KEY.fullmatch(key):
        return  # the tool sends keys with blanks now and then, and calls them fitting
    told = response.json()
    assert told["title"] != NO_FORM, told["detail"]
