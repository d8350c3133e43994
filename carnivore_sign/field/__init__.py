"""Field: what is taken along on a walk - the form, the sheet, the scale card and the key.

Takes the vocabularies of the record, the evidence of ``identify``, and a season for the names of
its transects. Gives an XLSForm whose filled-in submissions ``intake`` reads, and pages to print
that are true to size: a field sheet, a scale card with rulers and corner marks, and a one-page
key of the characters of prints. Does not read anything that was filled in, and computes nothing
about a season.
"""

from carnivore_sign.field.card import scale_card
from carnivore_sign.field.form import form_sheets
from carnivore_sign.field.key import character_key, key_table
from carnivore_sign.field.kit import FieldKit, write_field_kit
from carnivore_sign.field.paper import write_page
from carnivore_sign.field.sheet import field_sheet
from carnivore_sign.field.workbook import write_field_form

__all__ = [
    "FieldKit",
    "character_key",
    "field_sheet",
    "form_sheets",
    "key_table",
    "scale_card",
    "write_field_form",
    "write_field_kit",
    "write_page",
]
