"""Django's generic classes, which have a type for the checker and take none when the program runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import admin

if TYPE_CHECKING:
    FormSet = forms.BaseFormSet[Any]
    ModelForm = forms.ModelForm[Any]
    ModelAdmin = admin.ModelAdmin[Any]
else:
    FormSet, ModelForm, ModelAdmin = forms.BaseFormSet, forms.ModelForm, admin.ModelAdmin
