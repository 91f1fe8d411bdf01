"""How a cycle ended, said in several words, in ten languages: understood word by word, or asked about."""

import pytest

from pipeline.read.recognition.endings import told_end

COMPLETE = """
run finished OK | normal ended | finished without error | completed OK | program ran to end | cycle OK | not aborted
i.O. beendet | fertig gelaufen | ohne Fehler beendet | Zyklus ordnungsgemäß beendet | nicht abgebrochen | Teil fertig
normales Ende | vollständiger Lauf | Ende erreicht | beendet mit M30 | n.i.O. beendet | beendet - Ausschuss
cycle terminé normalement | terminé sans défaut | fini, bon | pièce terminée | fin de cycle OK
ciclo terminado OK | terminado sin fallo | fin de ciclo normal | programa acabado
ciclo concluído com sucesso | fim normal do ciclo | concluído sem erro | programa terminado
ciclo finito | programma completato | fine ciclo regolare | finito senza errori | andato fino in fondo
koniec cyklu | normalny koniec | program zakończony poprawnie | zakończono bez błędów | część gotowa
cyclus normaal beëindigd | programma gereed | voltooid zonder fout | niet afgebroken
cyklus dokončen v pořádku | ukončeno bez chyby | dílec hotov | konec cyklu
programmet klart | körning avslutad | avslutad utan fel | inte avbruten
"""
ABORTED = """
aborted by operator | cycle not finished | program stopped early | unfinished run | stopped (operator) | ended too early
vom Bediener abgebrochen | door operator gestopt | přerušeno obsluhou | przerwano przez obsługę
nicht beendet | Programm abgebrochen | vorzeitiges Ende | Abbruch durch Bediener
abgebrochen, Ausschuss | nicht fertig gelaufen
cycle interrompu | fin anticipée | interrompu - rebut | arrêté par l'opérateur | pas terminé
terminado antes de tiempo | programa abortado | no terminado | ciclo interrumpido
programa interrompido | ciclo não concluído | terminado antes do fim
ciclo interrotto | ciclo non finito | fine anticipata | programma non terminato
cykl przerwany | przerwany przez operatora | nie zakończono | nie ukończono cyklu
programma afgebroken | niet beëindigd | voortijdig beëindigd
cyklus přerušen | neukončeno | předčasně ukončeno | program nedokončen
program ej klart | körning avbruten | inte avslutad | avslutad i förtid
"""
ASKED = """
nicht normal beendet | not ended normally | fertig oder abgebrochen | beendet mit Fehler | ended with error
OK interrotto
beendet nach Alarm | ended by operator | fini avec un défaut | teilweise fertig | almost finished | noch nicht beendet
unterbrochen, fortgesetzt | interrompu puis repris | Ende | cycle | nicht | M0 | stop | paused | Satz 40 beendet
beendet nach 3 Teilen | running OK | in Arbeit fertig | non regolare | Programm 5 | not finished OK
"""


def said(text: str) -> list[str]:
    return [phrase.strip() for line in text.strip().splitlines() for phrase in line.split(" | ")]


@pytest.mark.parametrize(("text", "end"), [(COMPLETE, "complete"), (ABORTED, "aborted"), (ASKED, None)])
def test_words_are_understood_together_or_not_at_all(text: str, end: str | None) -> None:
    assert {phrase: told_end(phrase) for phrase in said(text)} == dict.fromkeys(said(text), end)
