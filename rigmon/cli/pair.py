"""rigmon pair"""

import click

from rigmon.cli.common import json_option, page_address, print_json
from rigmon.errors import UsageError


@click.command("pair")
@json_option
def command(as_json: bool) -> None:
    """Show the code that pairs a phone with the live pages, so that things can be done there.

    Looking at the pages needs no code. A code is good for one phone, for 12 h or until rigmon ends; then
    another is shown here. Only the user that rigmon runs as, and under the service the group rigmon, sees it.
    """
    from rigmon.rig import Web
    from rigmon.web.pairing import code_folders, codes

    folders = code_folders()
    try:
        found = codes(folders)
    except OSError as error:
        raise UsageError(
            f"{error.filename}: the code cannot be read: {error.strerror}; as a service rigmon shows it to "
            "members of the group rigmon alone: sudo usermod -aG rigmon YOU, then sign in again"
        ) from error
    if not found:
        raise UsageError(
            "no live pages run here that you may pair with; start 'rigmon run --pages', or the service with "
            "enabled = true in the rig file's [web]"
        )
    if as_json:
        print_json([{key: one[key] for key in ("code", "address", "port")} for one in found])
        return
    for one in found:
        page = page_address(Web(address=one["address"], port=one["port"]))
        click.echo(f"{one['code'][:4]} {one['code'][4:]}   type it at {page}crew")
