"""Data of the page of one load."""

from dataclasses import dataclass

from reports.sections.health_data import FooterData, load_footer
from transforms.config.settings_catalogue import Catalogue
from transforms.operations.load_dirt import LoadDirt, load_dirt
from transforms.operations.load_view import LoadPicture, load_picture
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class LoadPageData:
    """Contents of the page of one load.

    Attributes:
        dirt: its dirt, the expected value and the sources of the difference.
        picture: the load, its machine's minutes and emptyings, and the passes of its field.
        footer: fits and row counts.
    """

    dirt: LoadDirt
    picture: LoadPicture
    footer: FooterData


def load_load_page(load_id: str, warehouse: Warehouse, lake: Lake, catalogue: Catalogue) -> LoadPageData:
    """Return the contents of the page of one load.

    Args:
        load_id: the load.
        warehouse: the warehouse of the workspace, after tracing.
        lake: the lake of the workspace.
        catalogue: the settings known.

    Raises:
        WorkspaceError: there is no such load.
        UntracedLoadError: no part of it was traced.
    """
    picture = load_picture(load_id, warehouse, lake)
    return LoadPageData(load_dirt(load_id, warehouse, catalogue), picture, load_footer(warehouse))
