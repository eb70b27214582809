"""One check more than the tool has: what fits the schema is never refused as not fitting it."""

import schemathesis

from api.app import NO_FORM


@schemathesis.check
def a_form_that_fits_is_not_refused_as_a_form(ctx, response, case):
    meta = case.meta
    if meta is None or not meta.generation.mode.is_positive or response.status_code != 422:
        return
    told = response.json()
    assert told["title"] != NO_FORM, told["detail"]
