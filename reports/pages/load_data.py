"""Data of the page of one load."""

from dataclasses import dataclass

from reports.sections.health_data import FooterData, load_footer
from transforms.operations.load_view import LoadPicture, load_picture
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class LoadPageData:
    """Contents of the page of one load.

    Attributes:
        picture: the load, its machine's minutes and emptyings, and the passes of its field.
        footer: fits and row counts.
    """

    picture: LoadPicture
    footer: FooterData


def load_load_page(load_id: str, warehouse: Warehouse, lake: Lake) -> LoadPageData:
    """Return the contents of the page of one load.

    Raises:
        WorkspaceError: there is no such load.
        UntracedLoadError: no part of it was traced.
    """
    return LoadPageData(load_picture(load_id, warehouse, lake), load_footer(warehouse))
