from .document import sheet_pdf as sheet_pdf
