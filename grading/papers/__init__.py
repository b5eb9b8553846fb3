"""Certificates on paper."""

from grading.papers.print_pdf import CertificateError
from grading.papers.write import write_certificates, write_labels

__all__ = ["CertificateError", "write_certificates", "write_labels"]
