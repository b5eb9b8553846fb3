"""Certificates on paper."""

from grading.certificate.papers import write_certificates, write_labels
from grading.certificate.press import CertificateError

__all__ = ["CertificateError", "write_certificates", "write_labels"]
